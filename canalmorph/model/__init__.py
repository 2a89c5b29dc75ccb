"""The nouns that travel between the stages: frozen data, no input or output, no algorithms."""
