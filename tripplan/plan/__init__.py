"""Swap-by dates and minutes to trips; lower bound; independent check; reasons."""
