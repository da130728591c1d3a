"""What is spoken, in other languages: one table each, keyed by the English words of `decide/wording.py`."""
