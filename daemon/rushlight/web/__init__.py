"""The phone page.  Imports views and events; writes only by handing events to the service."""
