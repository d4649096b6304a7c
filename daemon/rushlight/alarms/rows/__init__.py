"""What one row of the alarm table holds, and rows by subject.  Pure: imports settings and `alarms.pace`."""
