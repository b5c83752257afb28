"""Transient heat conduction in a piece lying in oven air: exact series, and the same series as a bank of lags.

For a body of uniform start temperature put into surroundings at another temperature, with a heat transfer coefficient
h that does not change, the core follows

    theta(t) = sum_m C_m exp(-zeta_m**2 alpha t / L**2),    theta = (T - T_air) / (T_start - T_air)

with L the half thickness or radius and zeta_m the roots of zeta tan zeta = Bi (slab), zeta J1/J0 = Bi (cylinder),
1 - zeta cot zeta = Bi (sphere), Bi = h L / k. A brick and a short cylinder are products of these. The equation is
linear, so a changing air temperature is answered by the same series as a weighted bank of first-order lags

    T_core = sum_m C_m z_m,    dz_m/dt = (zeta_m**2 alpha / L**2) (T_air - z_m),

which is exact for air that is constant in each step, whatever the step's length. `core.py` runs many such banks side by
side; the reference functions here are what they are checked against.

Source: F. P. Incropera et al., Fundamentals of Heat and Mass Transfer, 6th ed., chapter 5 (plane wall, infinite
cylinder, sphere, product solutions, lumped limit, semi-infinite solid); chapter from memory, values checked in
tests/published against `shared/reference/conduction_*.csv`. Heat through a tray, moisture and the resin's own heat
are not in here.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = [
    "STEFAN_BOLTZMANN_W_M2K4",
    "Bank",
    "Modes",
    "Shape",
    "bank",
    "bessel_j0_j1",
    "biot",
    "lumped_theta",
    "modes",
    "product_theta",
    "radiative_h_w_m2k",
    "semi_infinite_theta",
    "series_theta",
]

Array = npt.NDArray[np.float64]
Shape = Literal["slab", "cylinder", "sphere"]

STEFAN_BOLTZMANN_W_M2K4: Final = 5.670374419e-8  # CODATA 2018, exact in the SI

#: Lags kept of each body.
_LAGS: Final = 8
_BIOT_LOW: Final = 1e-4
_BIOT_HIGH: Final = 1e6


class Modes(NamedTuple):
    """Terms of the series, each of shape (..., terms).

    zeta : roots of the shape's characteristic equation                                              [-]
    core, surface, mean : coefficients of the temperature in the middle, at the face, over the volume [-]
    """

    zeta: Array
    core: Array
    surface: Array
    mean: Array


class Bank(NamedTuple):
    """A bank of first-order lags for each of n bodies, each array of shape (n, lags).

    rate_1_s : rate of each lag                                                                    [1/s]
    core, surface : weights of the lags in the core's and in the face's temperature; each row sums to 1 [-]
    """

    rate_1_s: Array
    core: Array
    surface: Array


def bessel_j0_j1(x: npt.ArrayLike) -> tuple[Array, Array]:
    """Bessel functions J0 and J1 of real x with |x| <= 30, to 1e-12.

    The trapezoidal rule on Bessel's integral J_n(x) = 1/pi int_0^pi cos(n t - x sin t) dt, which converges faster than
    any power for a periodic integrand (numpy has no Bessel functions, and scipy costs a second of start-up on a Pi).
    """
    arg = np.asarray(x, dtype=np.float64)
    points = 64
    t = (np.arange(points) + 0.5) * (np.pi / points)
    phase = arg[..., None] * np.sin(t)
    return np.cos(phase).mean(axis=-1), np.cos(t - phase).mean(axis=-1)


def _residual(shape: Shape, zeta: Array, bi: Array) -> Array:
    """Rises through zero at the root inside each bracket; written without poles."""
    if shape == "slab":
        return zeta * np.sin(zeta) - bi * np.cos(zeta)
    if shape == "cylinder":
        j0, j1 = bessel_j0_j1(zeta)
        return zeta * j1 - bi * j0
    return (1 - bi) * np.sin(zeta) - zeta * np.cos(zeta)


@lru_cache(maxsize=32)
def _brackets(shape: Shape, terms: int) -> tuple[Array, Array]:
    m = np.arange(terms, dtype=np.float64)
    if shape == "slab":
        return m * np.pi, (m + 0.5) * np.pi
    if shape == "sphere":
        return m * np.pi, (m + 1.0) * np.pi
    # Zeros of J1 and J0 (Abramowitz & Stegun table 9.5), by McMahon's expansion and bisection.
    return _bessel_zeros(1, terms), _bessel_zeros(0, terms)


def _bessel_zeros(order: int, terms: int) -> Array:
    """The first zeros of J0, or of J1 beginning with the one at 0."""
    count = terms if order == 0 else terms - 1
    guess = (np.arange(count) + (0.75 if order == 0 else 1.25)) * np.pi
    low, high = guess - 0.3, guess + 0.3
    for _ in range(60):
        mid = (low + high) / 2
        below = bessel_j0_j1(mid)[order] * bessel_j0_j1(low)[order] > 0
        low, high = np.where(below, mid, low), np.where(below, high, mid)
    return (low + high) / 2 if order == 0 else np.concatenate([[0.0], (low + high) / 2])


def modes(shape: Shape, bi: npt.ArrayLike, terms: int = 6) -> Modes:
    """The first `terms` terms of the series for each Biot number.

    bi : float array, any shape, 1e-4..1e6      h L / k, L = half thickness or radius            [-]
    terms : 1..8 for a cylinder, 1..200 else

    Raises ValueError for a Biot number or a number of terms out of range.
    """
    number = np.asarray(bi, dtype=np.float64)
    if not (np.all(number >= _BIOT_LOW) and np.all(number <= _BIOT_HIGH)):
        raise ValueError(f"Biot number {bi!r} is out of range {_BIOT_LOW:g} to {_BIOT_HIGH:g}")
    most = 8 if shape == "cylinder" else 200
    if not 1 <= terms <= most:
        raise ValueError(f"{terms} terms for a {shape}; allowed 1 to {most}")
    column = number[..., None]
    low, high = (np.broadcast_to(edge, (*number.shape, terms)).copy() for edge in _brackets(shape, terms))
    # The residual's sign alternates from bracket to bracket; the first bracket's low end is a root itself.
    sign = np.where(np.arange(terms) % 2 == 0, 1.0, -1.0)
    for _ in range(60):
        mid = (low + high) / 2
        above = sign * _residual(shape, mid, column) > 0
        high = np.where(above, mid, high)
        low = np.where(above, low, mid)
    zeta = (low + high) / 2
    if shape == "slab":
        core = 4 * np.sin(zeta) / (2 * zeta + np.sin(2 * zeta))
        return Modes(zeta, core, core * np.cos(zeta), core * np.sin(zeta) / zeta)
    if shape == "cylinder":
        j0, j1 = bessel_j0_j1(zeta)
        core = 2 / zeta * j1 / (j0**2 + j1**2)
        return Modes(zeta, core, core * j0, core * 2 * j1 / zeta)
    core = 4 * (np.sin(zeta) - zeta * np.cos(zeta)) / (2 * zeta - np.sin(2 * zeta))
    mean = core * 3 * (np.sin(zeta) - zeta * np.cos(zeta)) / zeta**3
    return Modes(zeta, core, core * np.sin(zeta) / zeta, mean)


@lru_cache(maxsize=8)
def _table(shape: Shape, terms: int) -> tuple[Array, Modes]:
    grid = np.linspace(math.log(1e-3), math.log(1e3), 241)
    return grid, modes(shape, np.exp(grid), terms)


def _modes_fast(shape: Shape, bi: Array, terms: int) -> Modes:
    """As `modes`, interpolated in log Bi (worst relative error 2e-4), Bi held inside 1e-3..1e3."""
    grid, table = _table(shape, terms)
    place = np.clip((np.log(bi) - grid[0]) / (grid[1] - grid[0]), 0.0, len(grid) - 1.000001)
    at = place.astype(np.intp)
    part = (place - at)[:, None]
    return Modes(*(values[at] * (1 - part) + values[at + 1] * part for values in table))


def bank(
    shape: Shape,
    *,
    size_m: Array,
    second_m: Array,
    third_m: Array,
    h_w_m2k: Array,
    k_w_mk: Array,
    diffusivity_m2_s: Array,
) -> Bank:
    """The lags of n bodies, each with its own sizes, surface and material.

    shape : "slab" = brick of three thicknesses, "cylinder" = short cylinder, "sphere"
    size_m : (n,)   whole thickness of the slab, diameter of cylinder and sphere                     [m]
    second_m : (n,) width of the slab, length of the cylinder; inf = endless; not used for a sphere  [m]
    third_m : (n,)  length of the slab; inf = endless; used for a slab only                          [m]
    h_w_m2k, k_w_mk, diffusivity_m2_s : (n,)                              [W/(m2 K)], [W/(m K)], [m2/s]

    Products have more terms than matter: the slowest `_LAGS` are kept, and the weight that the others had is given to
    the fastest of them, so that a body in air of its own temperature stays there exactly. Raises ValueError for sizes
    or properties that are not above 0.
    """
    for name, values in (("size_m", size_m), ("second_m", second_m), ("third_m", third_m), ("h_w_m2k", h_w_m2k),
                         ("k_w_mk", k_w_mk), ("diffusivity_m2_s", diffusivity_m2_s)):  # fmt: skip
        if not np.all(values > 0):
            raise ValueError(f"{name} must be above 0 everywhere, got {np.min(values)}")

    def along(kind: Shape, whole_m: Array, terms: int) -> tuple[Array, Array, Array, Array]:
        half = np.minimum(whole_m, 1e3 * size_m) / 2
        found = _modes_fast(kind, h_w_m2k * half / k_w_mk, terms)
        rate = found.zeta**2 * (diffusivity_m2_s / half**2)[:, None]
        endless = ~np.isfinite(whole_m)
        if np.any(endless):
            # An endless side takes no part: one term that does not decay.
            alone = np.zeros(terms)
            alone[0] = 1.0
            rate[endless] = 0.0
            for values in found[1:]:
                values[endless] = alone
        return rate, found.core, found.surface, found.mean

    if shape == "sphere":
        rate, core, surface, _ = along("sphere", size_m, 4)
    elif shape == "cylinder":
        rate, core, surface, _ = _product(along("cylinder", size_m, 4), along("slab", second_m, 2))
    else:
        plate = _product(along("slab", size_m, 4), along("slab", second_m, 2))
        rate, core, surface, _ = _product(plate, along("slab", third_m, 2))
    order = np.argsort(rate, axis=1)[:, :_LAGS]
    rate, core, surface = (np.take_along_axis(values, order, axis=1) for values in (rate, core, surface))
    for weights in (core, surface):
        weights[:, -1] += 1 - weights.sum(axis=1)
    return Bank(rate, core, surface)


Along = tuple[Array, Array, Array, Array]


def _product(one: Along, two: Along) -> Along:
    """Product solution: rates add, coefficients multiply. The face is the one across the first side, its mean over the
    second."""
    n = len(one[0])
    rate = (one[0][:, :, None] + two[0][:, None, :]).reshape(n, -1)
    core = (one[1][:, :, None] * two[1][:, None, :]).reshape(n, -1)
    surface = (one[2][:, :, None] * two[3][:, None, :]).reshape(n, -1)
    mean = (one[3][:, :, None] * two[3][:, None, :]).reshape(n, -1)
    return rate, core, surface, mean


def biot(h_w_m2k: float, half_m: float, k_w_mk: float) -> float:
    """Biot number h L / k; L = half thickness or radius [-]."""
    return h_w_m2k * half_m / k_w_mk


def series_theta(
    shape: Shape, bi: float, fourier: float, terms: int = 0, where: Literal["core", "surface", "mean"] = "core"
) -> float:
    """Fraction of the first temperature difference that is left, by the series.

    bi : 1e-4..1e6    h L / k [-];    fourier : > 0    alpha t / L**2 [-]
    terms : 0 = as many as this shape allows; 1 = the textbooks' one-term solution (good for fourier > 0.2)

    >>> round(series_theta("slab", 1.0, 1.0), 4)
    0.5339

    Raises ValueError for a number out of range.
    """
    if not fourier > 0:
        raise ValueError(f"Fourier number {fourier} must be above 0")
    found = modes(shape, bi, terms or (8 if shape == "cylinder" else 60))
    return float(np.sum(getattr(found, where) * np.exp(-(found.zeta**2) * fourier)))


def product_theta(*thetas: float) -> float:
    """Core of a body that is the crossing of simpler ones (short cylinder, bar, brick): the product of theirs."""
    return math.prod(thetas)


def lumped_theta(bi: float, fourier: float, sides: Literal[1, 2, 3]) -> float:
    """As `series_theta` for a body so small that it has one temperature (bi < 0.1): exp(-sides bi fourier).

    sides : volume over area is L / sides: 1 slab, 2 cylinder, 3 sphere.
    """
    return math.exp(-sides * bi * fourier)


def semi_infinite_theta(depth_m: float, time_s: float, h_w_m2k: float, k_w_mk: float, diffusivity_m2_s: float) -> float:
    """Fraction of the first difference left at a depth below the face of a very thick body, convection at the face.

    depth_m : >= 0 [m];  time_s : > 0 [s];  h, k, diffusivity : > 0

    Source: Incropera et al., semi-infinite solid, case 3 (from memory).
    """
    if not (depth_m >= 0 and time_s > 0 and h_w_m2k > 0 and k_w_mk > 0 and diffusivity_m2_s > 0):
        raise ValueError("depth must be 0 or more; time, h, conductivity and diffusivity above 0")
    root = math.sqrt(diffusivity_m2_s * time_s)
    u, v = depth_m / (2 * root), h_w_m2k * root / k_w_mk
    # exp(a) erfc(b) overflows apart long before their product does.
    second = math.exp(2 * u * v + v * v) * math.erfc(u + v) if u + v < 5 else _scaled_erfc(u + v) * math.exp(-u * u)
    return 1 - (math.erfc(u) - second)


def _scaled_erfc(x: float) -> float:
    """exp(x^2) erfc(x) for x >= 5 by its continued fraction (Abramowitz & Stegun 7.1.14)."""
    tail = x
    for n in range(40, 0, -1):
        tail = x + (n / 2) / tail
    return 1 / (math.sqrt(math.pi) * tail)


def radiative_h_w_m2k(surface_c: float, walls_c: float, emissivity: float) -> float:
    """Radiation between a small body and large walls as a coefficient, eps sigma (T1^2 + T2^2)(T1 + T2) [W/(m2 K)].

    Source: Incropera et al., chapter 1 (from memory); values in shared/reference/heat_transfer_coefficients.csv.
    """
    one, two = surface_c + 273.15, walls_c + 273.15
    return emissivity * STEFAN_BOLTZMANN_W_M2K4 * (one**2 + two**2) * (one + two)
