"""A tank's timeline: which stretch is looked at, what is shown in it, and the parts of it that a script asks for."""
