"""What readings with errors say: filters, tests and robust figures."""
