"""When the disk, the file or the log is not what it was: checks, copies, and what can be saved."""
