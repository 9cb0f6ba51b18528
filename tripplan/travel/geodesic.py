"""Distances on the WGS84 ellipsoid."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import Geod

__all__ = ["geodesic_m"]

_WGS84 = Geod(ellps="WGS84")


def geodesic_m(
    from_lat: ArrayLike, from_lon: ArrayLike, to_lat: ArrayLike, to_lon: ArrayLike
) -> NDArray[np.float64]:
    """
    Return the shortest distance on the ellipsoid, after Karney [1]_.

    Parameters
    ----------
    from_lat, from_lon, to_lat, to_lon : array_like
        Places, of shapes that broadcast. [deg]

    Returns
    -------
    numpy.ndarray
        Length of the geodesic on WGS84. [m]

    References
    ----------
    .. [1] C. F. F. Karney, "Algorithms for geodesics," *Journal of Geodesy*, vol. 87, pp. 43-55, 2013,
       doi: 10.1007/s00190-012-0578-z.

    Examples
    --------
    >>> float(geodesic_m(50.06632, -5.71475, 58.64402, -3.07009).round(3))
    969954.166
    """
    shaped = np.broadcast_arrays(from_lat, from_lon, to_lat, to_lon)
    lat1, lon1, lat2, lon2 = (np.array(part, dtype=np.float64) for part in shaped)
    _, _, distance = _WGS84.inv(lon1.ravel(), lat1.ravel(), lon2.ravel(), lat2.ravel())
    return np.asarray(distance, dtype=np.float64).reshape(lat1.shape)
