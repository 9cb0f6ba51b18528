"""Files of a fleet to a checked `Fleet`."""
