"""Groups of commands that `cli.py` puts together; each imports what is heavy when it is called."""
