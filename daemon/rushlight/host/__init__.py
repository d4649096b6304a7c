"""The machine this runs on: the board, its service manager, its log.

Imports clock, ctypes, socket.
"""
