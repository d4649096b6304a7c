"""What probes send, taken apart: frames, sums, numbers in words, JSON and SenML.  Bytes in, values out.

Imports drivers.contract, annotated_types and the pure part of the standard library; no file, clock, thread or socket.
"""
