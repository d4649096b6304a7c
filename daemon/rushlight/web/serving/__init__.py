"""How the page is served: requests, who may ask, templates, TLS."""
