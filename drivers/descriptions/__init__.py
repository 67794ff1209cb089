"""Descriptions of instruments: data. A package only so that the files are installed with the program."""
