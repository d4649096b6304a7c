"""A tank's nitrate: the balance as a filter, where it goes, why it changed.

Pure: imports science, alarms, the vocabulary and the standard library.
"""
