"""A tank's light: dose, the lamp against its anchor, daylight, what the plants need.

Pure: imports science, alarms, the vocabulary and the standard library.
"""
