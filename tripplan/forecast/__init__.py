"""A fleet and its history to flat dates with their certainty."""
