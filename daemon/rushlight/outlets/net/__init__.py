"""One request with a deadline, and who is at the other end."""
