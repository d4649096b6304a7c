"""What drivers share of their links: one session for several probes, the serial port, the kernel's files.

Imports drivers.contract, annotated_types, serial, subprocess, termios.
"""
