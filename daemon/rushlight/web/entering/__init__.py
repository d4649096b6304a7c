"""From forms to events."""
