"""A tank's water beside nitrate: ammonia, nitrite, carbonate and total hardness.

Pure: imports science, alarms, the vocabulary and the standard library.
"""
