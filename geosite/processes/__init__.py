"""The plug-in door: process descriptions, their registry, and the hosts that run them."""
