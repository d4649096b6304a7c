"""The daemon.  Rooms, in the order data passes them: intake, journal, tank (with science and alarms), outlets."""

__version__ = "0.1.0"
