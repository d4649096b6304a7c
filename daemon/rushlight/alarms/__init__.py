"""The alarm table, the state machine, who is told and in which words.  Pure: imports events, settings and the standard library."""
