"""Stage 1: files, folders and archives to CT volumes, or a refusal that says why."""
