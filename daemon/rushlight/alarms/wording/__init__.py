"""What an alarm says, at length and on a locked phone."""
