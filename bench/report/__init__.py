"""A session as one document: the same blocks as a web page and as a PDF."""
