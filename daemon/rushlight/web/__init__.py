"""The phone page.  Imports views, events, drawing, science and the journal's reader; writes only by handing events on.

What it needs of the daemon is `daemon.Daemon`; it never touches the core or the database's writing end.
"""
