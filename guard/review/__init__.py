"""One session looked back at: figures, words, page."""
