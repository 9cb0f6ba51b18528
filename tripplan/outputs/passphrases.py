"""How long a passphrase holds against someone who has the file, and a good one for the asking."""

from __future__ import annotations

import secrets
from dataclasses import dataclass

__all__ = ["Strength", "suggest_passphrase", "weigh_passphrase"]

STRONG_GUESSES = 1e10
"""Fewer guesses than this and a passphrase is called weak: the top class of the estimator [1]_."""

# Sounds that are hard to mishear when one person reads them to another.
_FIRST, _SECOND = "bdfgklmnprstvz", "aeiou"
_WORDS, _SOUNDS = 4, 3


@dataclass(frozen=True)
class Strength:
    """
    What an estimator says of a passphrase.

    Attributes
    ----------
    guesses : float
        How many a patient guesser needs, who tries likely ones first.
    weak : bool
        Whether it should be replaced.
    """

    guesses: float
    weak: bool


def weigh_passphrase(passphrase: str) -> Strength:
    """
    Estimate how many guesses a passphrase withstands, with the estimator of Wheeler [1]_.

    Parameters
    ----------
    passphrase : str
        Of any length; the first 72 signs are weighed.

    Returns
    -------
    Strength
        The estimate.

    References
    ----------
    .. [1] D. L. Wheeler, "zxcvbn: Low-Budget Password Strength Estimation," 25th USENIX Security
       Symposium, 2016, pp. 157-173.

    Examples
    --------
    >>> weigh_passphrase("sunshine1").weak, weigh_passphrase("bakomu ridase tulivo pegabi").weak
    (True, False)
    """
    from zxcvbn import zxcvbn

    guesses = float(zxcvbn(passphrase[:72])["guesses"])
    return Strength(guesses, guesses < STRONG_GUESSES)


def suggest_passphrase() -> str:
    """
    Return a fresh passphrase of four made-up words, drawn at random.

    Returns
    -------
    str
        Twelve syllables of 70 each: 73 bits, whoever knows how it was made.

    Examples
    --------
    >>> len(suggest_passphrase().split())
    4
    """
    return " ".join(
        "".join(secrets.choice(_FIRST) + secrets.choice(_SECOND) for _ in range(_SOUNDS))
        for _ in range(_WORDS)
    )
