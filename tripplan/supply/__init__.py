"""Packs by identity: how good each is, which goes where, how many to carry and own, what to charge."""
