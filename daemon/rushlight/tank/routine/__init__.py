"""When to test next, and whether there is something to test with.

Pure: imports science, alarms, the vocabulary and the standard library.
"""
