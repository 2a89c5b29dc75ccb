"""The command line: parse, call, print, exit status; slow imports inside the commands."""
