"""The core: the step of the whole installation, its timeline and wake-ups, and what may be seen of it.

Pure: imports tank, alarms, science, the vocabulary and the standard library.
"""
