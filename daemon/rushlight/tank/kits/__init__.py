"""What a test says: by eye, number or picture, of the sample as it was or thinned, as its kit is known to read.

Pure: imports science, the vocabulary and the standard library.
"""
