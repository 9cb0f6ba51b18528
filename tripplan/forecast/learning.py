"""
Learning from history with partial pooling: an exact filter on a grid.

The logarithm of a run's load is ``base + v``: `base` is what the model expects of that pack at that site,
``v = theta + eta`` is what it got wrong. `theta` belongs to the site, drifts slowly, and scatters about the
mean of its class (device profile and basis) with the spread `tau`; `eta` belongs to the run (the pack's
health, the season's business) with the spread `eta_sd`. A run's evidence is its likelihood over a grid of
``v``. The fleet's class means, `tau` and `eta_sd` are averaged over a grid of values with weak priors; each
site's `theta` is then filtered through its own runs. How fast levels drift is averaged over a few values in
the same way. No sampling: the same records give the same dates.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CELLS",
    "EDGES",
    "MIDDLES",
    "STRAY_SHARE",
    "WIDTH",
    "Chain",
    "FleetFit",
    "SiteLearned",
    "fit_fleet",
    "learn_sites",
    "normal_cells",
    "site_prior",
    "telling_places",
    "weigh",
]

WIDTH = 0.03
CELLS = 161
#: Edges and middles of the grid of ``v``: loads from a eleventh to eleven times what the model expects.
EDGES = WIDTH * (np.arange(CELLS + 1) - CELLS / 2.0)
MIDDLES = (EDGES[:-1] + EDGES[1:]) / 2.0

#: Usual drift of a site's draw, spread of its logarithm over a year. Assumption; the fleet's runs say more.
DRIFT_PER_YEAR = 0.15
#: Chance that a run ended for a reason outside the model (an early failure, a wrong record). Assumption.
STRAY_SHARE = 0.02

_TAUS = np.array([0.06, 0.10, 0.15, 0.20, 0.27, 0.36, 0.48])
_ETAS = np.array([0.07, 0.10, 0.13, 0.17, 0.23, 0.31])
_DRIFTS = np.array([0.08, 0.15, 0.27, 0.45])
_MEANS = np.linspace(-1.2, 1.2, 49)
#: Prior of a class mean about what the model expects, and of the two spreads about their usual values.
_MEAN_SD = 0.30
_LOG_SPREAD_SD = 0.45
_MOST_SITES_FITTED = 400
_MOST_SITES_WEIGHED = 80
#: A few sites are unlike their class (weak signal, a busy trail); assumption.
_ODD_SHARE = 0.03
_ODD_SD = 0.45


@dataclass(frozen=True)
class Chain:
    """
    The evidence of one site, oldest run first, the pack in place last.

    Attributes
    ----------
    group : hashable
        Class that the site is pooled with.
    likelihoods : tuple of numpy.ndarray, each shape (CELLS,)
        Of each run over ``v``, at most 1; the last one is that of the pack in place.
    readings : numpy.ndarray, shape (CELLS,)
        Likelihood of what was read from the pack in place, without the fact that it runs today.
    gaps : tuple of float
        Time between the middle of each run and that of the next, one fewer than runs. [year]
    usual_tau, usual_eta : float
        What the two spreads are taken as where nothing is learned.
    now_eta : float or None
        What the spread of the run in place is taken as where its pack was tested; None: `usual_eta`.
    """

    group: Hashable
    likelihoods: tuple[NDArray[np.float64], ...]
    readings: NDArray[np.float64]
    gaps: tuple[float, ...]
    usual_tau: float
    usual_eta: float
    now_eta: float | None = None


@dataclass(frozen=True)
class SiteLearned:
    """
    What is known of one site.

    Attributes
    ----------
    before : tuple of numpy.ndarray, each shape (CELLS,)
        Mass of ``v`` of each run as foreseen from the fleet and the site's earlier runs.
    now : numpy.ndarray, shape (CELLS,)
        Mass of ``v`` of the pack in place, its own evidence included except that it runs today.
    later : numpy.ndarray, shape (CELLS,)
        Mass of ``v`` of a pack put in later.
    own_share : float
        How much of what is known comes from the site itself: 0 all from the fleet, 1 all its own.
    shift, shift_sd : float
        Mean and spread of `theta`: the site's draw against what the model expects, as a logarithm.
    """

    before: tuple[NDArray[np.float64], ...]
    now: NDArray[np.float64]
    later: NDArray[np.float64]
    own_share: float
    shift: float
    shift_sd: float


@dataclass(frozen=True)
class FleetFit:
    """
    What the fleet's history teaches of the fleet.

    Attributes
    ----------
    tau, eta_sd : float
        Spread of sites about their class, and of runs about their site.
    drift : float
        Drift of a site's level, spread of its logarithm over a year.
    means : mapping of hashable to (float, float)
        Mean and its spread for each class.
    log_evidence : float
        How well all this explains the runs, to compare ways of reading them.
    """

    tau: float
    eta_sd: float
    drift: float = DRIFT_PER_YEAR
    means: Mapping[Hashable, tuple[float, float]] = field(default_factory=dict)
    log_evidence: float = 0.0


def normal_cells(mean: float, sd: float) -> NDArray[np.float64]:
    """
    Return the mass of a normal distribution in each cell of the grid.

    Parameters
    ----------
    mean, sd : float
        Of ``v``.

    Returns
    -------
    numpy.ndarray, shape (CELLS,)
        Sums to 1.

    Examples
    --------
    >>> mass = normal_cells(0.0, 0.2)
    >>> round(float(mass.sum()), 9), round(float(mass @ MIDDLES**2) ** 0.5, 2)
    (1.0, 0.2)
    """
    from scipy.special import ndtr

    cdf = np.asarray(ndtr((EDGES - mean) / sd), dtype=np.float64)
    cdf[0], cdf[-1] = 0.0, 1.0
    return np.diff(cdf)


def site_prior(mean: float, tau: float) -> NDArray[np.float64]:
    """
    Return the mass of a site's level before its own runs: most near its class, a few far off.

    Parameters
    ----------
    mean, tau : float
        Of the class.

    Returns
    -------
    numpy.ndarray, shape (CELLS,)
        Sums to 1.
    """
    odd = normal_cells(mean, float(np.hypot(tau, _ODD_SD)))
    return np.asarray((1.0 - _ODD_SHARE) * normal_cells(mean, tau) + _ODD_SHARE * odd, dtype=np.float64)


def telling_places(chains: Sequence[Chain]) -> list[int]:
    """Return which chains say anything at all."""
    return [
        place
        for place, chain in enumerate(chains)
        if any(_is_telling(like) for like in (*chain.likelihoods, chain.readings))
    ]


def weigh(chains: Sequence[Chain]) -> float:
    """
    Return how well the fleet's usual spreads explain some runs, as a log-likelihood.

    Parameters
    ----------
    chains : sequence of Chain
        The same sites in the same order wherever two results are compared; at most a hundred are looked at.

    Returns
    -------
    float
        0 without any evidence.
    """
    some = _thinned(chains, _MOST_SITES_WEIGHED)
    if not some:
        return 0.0
    return _fit_fleet(some, chains[0].usual_tau, chains[0].usual_eta, DRIFT_PER_YEAR).log_evidence


def fit_fleet(chains: Sequence[Chain]) -> FleetFit:
    """
    Learn the fleet's spreads, its drift and its class means from all runs.

    Parameters
    ----------
    chains : sequence of Chain
        One for each site, of one kind of basis (their usual spreads are equal).

    Returns
    -------
    FleetFit
        Without any evidence: the usual spreads about the model.
    """
    usual_tau, usual_eta = chains[0].usual_tau, chains[0].usual_eta
    telling = [chains[place] for place in telling_places(chains)]
    if not telling:
        return FleetFit(usual_tau, usual_eta)
    drift = DRIFT_PER_YEAR
    moving = _thinned([chain for chain in telling if sum(chain.gaps) > 0.0], _MOST_SITES_WEIGHED)
    if moving:
        layers = _Layers(moving)
        evidence = np.array(
            [_fit_fleet(moving, usual_tau, usual_eta, float(one), layers).log_evidence for one in _DRIFTS]
        )
        evidence += -0.5 * (np.log(_DRIFTS / DRIFT_PER_YEAR) / _LOG_SPREAD_SD) ** 2
        weight = np.exp(evidence - evidence.max())
        drift = float(np.sqrt(weight / weight.sum() @ _DRIFTS**2))
    return _fit_fleet(_thinned(telling, _MOST_SITES_FITTED), usual_tau, usual_eta, drift)


def learn_sites(chains: Sequence[Chain], fit: FleetFit) -> tuple[SiteLearned, ...]:
    """
    Learn each site's own level from its own runs, starting at the fleet.

    Parameters
    ----------
    chains : sequence of Chain
        One for each site.
    fit : FleetFit
        From `fit_fleet`.

    Returns
    -------
    tuple of SiteLearned
        In the order of the chains.
    """
    return _filter(chains, fit.tau, _Kernels(fit.eta_sd, fit.drift), fit.means)


def _thinned(chains: Sequence[Chain], most: int) -> Sequence[Chain]:
    return chains[:: max(1, -(-len(chains) // most))]


def _is_telling(likelihood: NDArray[np.float64]) -> bool:
    return bool(np.ptp(likelihood) > 1e-3)


def _smear(sd: float) -> NDArray[np.float64]:
    """Return the matrix that convolves a mass over the grid with a normal distribution."""
    steps = np.arange(CELLS)
    kernel = np.exp(-0.5 * ((steps[:, None] - steps[None, :]) * WIDTH / max(sd, 0.2 * WIDTH)) ** 2)
    return np.asarray(kernel / kernel.sum(axis=0), dtype=np.float64)


class _Kernels:
    """Convolutions with the run's spread and with drifts, each made once."""

    def __init__(self, eta_sd: float, drift_per_year: float) -> None:
        self.eta_sd = eta_sd
        self.drift_per_year = drift_per_year
        self.eta = _smear(eta_sd)
        self._drifts: dict[int, NDArray[np.float64]] = {}

    def drift(self, years: float) -> NDArray[np.float64]:
        months = max(1, round(years * 12.0))
        if months not in self._drifts:
            self._drifts[months] = _smear(self.drift_per_year * np.sqrt(months / 12.0))
        return self._drifts[months]


def _filter(
    chains: Sequence[Chain],
    tau: float,
    kernels: _Kernels,
    means: Mapping[Hashable, tuple[float, float]],
) -> tuple[SiteLearned, ...]:
    """Filter all sites side by side, aligned at the pack in place."""
    priors = {
        group: site_prior(mean, float(np.hypot(tau, mean_sd))) for group, (mean, mean_sd) in means.items()
    }
    unknown = normal_cells(0.0, tau)
    prior = np.stack([priors.get(chain.group, unknown) for chain in chains], axis=1)
    theta = prior.copy()
    before: list[list[NDArray[np.float64]]] = [[] for _ in chains]
    now = np.empty_like(theta)
    lengths = [len(chain.likelihoods) for chain in chains]
    for left in range(max(lengths), 0, -1):
        # `left` counts runs from the end; sites with fewer join later
        columns = [column for column, length in enumerate(lengths) if length >= left]
        for months, those in _months_before(chains, columns, lengths, left).items():
            theta[:, those] = kernels.drift(months / 12.0) @ theta[:, those]
        likelihood = np.stack([chains[c].likelihoods[lengths[c] - left] for c in columns], axis=1)
        foreseen = kernels.eta @ theta[:, columns]
        for place, column in enumerate(columns):
            before[column].append(foreseen[:, place])
        seen = _with_strays(likelihood, foreseen)
        if left == 1:
            read = _with_strays(np.stack([chains[c].readings for c in columns], axis=1), foreseen)
            now = _foreseen_now(chains, theta, foreseen, kernels) * read
            now /= now.sum(axis=0)
        updated = theta[:, columns] * (kernels.eta.T @ seen)
        theta[:, columns] = updated / updated.sum(axis=0)
    # what was learned fades; what was never learned has its full spread already
    telling = np.array([any(_is_telling(like) for like in chain.likelihoods) for chain in chains])
    later = kernels.eta @ np.where(telling, kernels.drift(0.5) @ theta, theta)
    shift, variance = _moments(theta)
    _, prior_variance = _moments(prior)
    # how much surer its runs made it, or how far they moved it, whichever is more
    own = np.maximum(1.0 - variance / prior_variance, 0.5 * np.abs(theta - prior).sum(axis=0))
    own = np.clip(own, 0.0, 1.0)
    return tuple(
        SiteLearned(
            tuple(before[column]),
            now[:, column],
            later[:, column],
            float(own[column]) if telling[column] else 0.0,
            float(shift[column]),
            float(np.sqrt(variance[column])),
        )
        for column in range(len(chains))
    )


def _foreseen_now(
    chains: Sequence[Chain],
    theta: NDArray[np.float64],
    foreseen: NDArray[np.float64],
    kernels: _Kernels,
) -> NDArray[np.float64]:
    """Return what is foreseen of the packs in place; a tested pack's run scatters less."""
    found = foreseen.copy()
    tested: dict[float, list[int]] = {}
    for column, chain in enumerate(chains):
        if chain.now_eta is not None:
            rest = kernels.eta_sd**2 - chain.usual_eta**2 + chain.now_eta**2
            tested.setdefault(round(float(np.sqrt(max(rest, 0.05**2))), 2), []).append(column)
    for sd, columns in tested.items():
        found[:, columns] = _smear(sd) @ theta[:, columns]
    return found


def _with_strays(likelihood: NDArray[np.float64], foreseen: NDArray[np.float64]) -> NDArray[np.float64]:
    """Put a floor under a likelihood: now and then a run ends for a reason outside the model."""
    floor = (foreseen * likelihood).sum(axis=0) + 1e-12
    return np.asarray((1.0 - STRAY_SHARE) * likelihood + STRAY_SHARE * floor, dtype=np.float64)


def _moments(mass: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    mean: NDArray[np.float64] = MIDDLES @ mass
    return mean, np.asarray((mass * (MIDDLES[:, None] - mean) ** 2).sum(axis=0), dtype=np.float64)


@lru_cache(maxsize=1)
def _priors() -> NDArray[np.float64]:
    return np.stack([site_prior(mean, tau) for tau in _TAUS for mean in _MEANS])


def _fit_fleet(
    chains: Sequence[Chain],
    usual_tau: float,
    usual_eta: float,
    drift_per_year: float,
    layers: _Layers | None = None,
) -> FleetFit:
    """Average the spreads and the class means over a grid of values, weighed by how well they explain."""
    groups = list(dict.fromkeys(chain.group for chain in chains))
    member = np.array([groups.index(chain.group) for chain in chains])
    mean_prior = -0.5 * (_MEANS / _MEAN_SD) ** 2
    mean_prior = mean_prior - np.log(np.exp(mean_prior).sum())
    layers = _Layers(chains) if layers is None else layers
    priors = _priors()
    evidence = np.empty((len(_TAUS), len(_ETAS)))
    shapes = np.empty((len(_TAUS), len(_ETAS), len(groups), len(_MEANS)))
    for place, eta_sd in enumerate(_ETAS):
        messages = layers.backward(_Kernels(float(eta_sd), drift_per_year))
        log_fit = np.log(priors @ messages + 1e-300).reshape(len(_TAUS), len(_MEANS), len(chains))
        for number in range(len(groups)):
            shapes[:, place, number] = log_fit[:, :, member == number].sum(axis=2) + mean_prior
        peak = shapes[:, place].max(axis=2, keepdims=True)
        summed = peak[..., 0] + np.log(np.exp(shapes[:, place] - peak).sum(axis=2))
        evidence[:, place] = summed.sum(axis=1)
        shapes[:, place] = np.exp(shapes[:, place] - summed[..., None])
    evidence += -0.5 * (np.log(_TAUS / usual_tau) / _LOG_SPREAD_SD)[:, None] ** 2
    evidence += -0.5 * (np.log(_ETAS / usual_eta) / _LOG_SPREAD_SD)[None, :] ** 2
    best = evidence.max()
    weight = np.exp(evidence - best)
    log_evidence = float(best + np.log(weight.sum()))
    weight = weight / weight.sum()
    tau = float(np.sqrt(weight.sum(axis=1) @ _TAUS**2))
    eta_sd = float(np.sqrt(weight.sum(axis=0) @ _ETAS**2))
    means: dict[Hashable, tuple[float, float]] = {}
    for place, group in enumerate(groups):
        mass = np.tensordot(weight, shapes[:, :, place], axes=([0, 1], [0, 1]))
        mean = float(mass @ _MEANS)
        means[group] = (mean, float(np.sqrt(mass @ (_MEANS - mean) ** 2)))
    return FleetFit(tau, eta_sd, drift_per_year, means, log_evidence)


class _Layers:
    """
    The runs of some sites, one layer for the last run of each, one for the last but one, and so on.

    Attributes
    ----------
    runs : list of (numpy.ndarray, numpy.ndarray)
        For each layer the sites that have such a run, and its likelihood with the floor of strays under it.
    drifts : list of list of (int, numpy.ndarray)
        For each layer how many months lie before that run, and at which sites.
    """

    def __init__(self, chains: Sequence[Chain]) -> None:
        self.n_sites = len(chains)
        self.runs: list[tuple[NDArray[np.int64], NDArray[np.float64]]] = []
        self.drifts: list[list[tuple[int, NDArray[np.int64]]]] = []
        lengths = [len(chain.likelihoods) for chain in chains]
        for left in range(1, max(lengths) + 1):
            columns = [column for column, length in enumerate(lengths) if length >= left]
            likelihood = np.stack([chains[c].likelihoods[lengths[c] - left] for c in columns], axis=1)
            seen = (1.0 - STRAY_SHARE) * likelihood + STRAY_SHARE * likelihood.mean(axis=0)
            self.runs.append((np.array(columns), seen))
            months = _months_before(chains, columns, lengths, left)
            self.drifts.append([(count, np.array(those)) for count, those in months.items()])

    def backward(self, kernels: _Kernels) -> NDArray[np.float64]:
        """Return the likelihood of all runs of each site as a function of its level at the first run."""
        messages = np.ones((CELLS, self.n_sites))
        said = kernels.eta.T @ np.concatenate([seen for _, seen in self.runs], axis=1)
        first = 0
        for (columns, seen), drifts in zip(self.runs, self.drifts, strict=True):
            messages[:, columns] *= said[:, first : first + seen.shape[1]]
            first += seen.shape[1]
            for months, those in drifts:
                messages[:, those] = kernels.drift(months / 12.0).T @ messages[:, those]
        return messages


def _months_before(
    chains: Sequence[Chain], columns: Sequence[int], lengths: Sequence[int], left: int
) -> dict[int, list[int]]:
    """Return by months which sites' runs, `left`th from the end, come so long after the run before."""
    months: dict[int, list[int]] = {}
    for column in columns:
        place = lengths[column] - left
        if place > 0:
            months.setdefault(round(chains[column].gaps[place - 1] * 12.0), []).append(column)
    return months
