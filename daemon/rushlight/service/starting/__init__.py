"""Before the daemon runs: is the configuration sound, is the folder free, do probes and channels answer."""
