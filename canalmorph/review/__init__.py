"""The local web page on which a person sees each case, sets right what is wrong, and signs it."""
