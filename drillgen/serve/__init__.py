"""A pack handed to the browsers of this machine or of the local network, over HTTP."""
