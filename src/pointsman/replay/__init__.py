"""replay: a captured file, heard again."""
