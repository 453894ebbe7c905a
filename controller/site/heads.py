"""Volumes of tank heads: the dished ends of a cylinder, upright or lying. Millimetres in, cubic millimetres out.

Upright heads and ellipsoids have closed forms, derived here by integrating circular slices. A torispherical head is a
dish of radius f x D and a knuckle of radius k x D that touch without a corner (the shape of DIN 28011 and of ASME
flanged and dished heads; from memory). Lying, it has no closed form and is integrated over circles about the axis.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from controller.site.model import HeadKind

DEFAULT_DISH_F = 1.0
DEFAULT_KNUCKLE_K = 0.06


@dataclass(frozen=True, slots=True)
class Torisphere:
    """Lengths of a torispherical head, all in mm: dish radius, knuckle radius, where they meet, and the total depth."""

    radius: float
    dish: float
    knuckle: float
    junction_radius: float
    junction_depth: float
    depth: float


def torisphere(diameter: float, dish_f: float, knuckle_k: float) -> Torisphere:
    """Dish and knuckle that touch without a corner. Needs 0 <= k < 0.5 and f >= 0.5, f > k."""
    radius = diameter / 2.0
    dish, knuckle = dish_f * diameter, knuckle_k * diameter
    sine = (radius - knuckle) / (dish - knuckle)
    cosine = math.sqrt(max(0.0, 1.0 - sine * sine))
    junction_depth = dish * (1.0 - cosine)
    return Torisphere(radius, dish, knuckle, dish * sine, junction_depth, junction_depth + knuckle * cosine)


def head_depth(kind: HeadKind, diameter: float, dish_f: float, knuckle_k: float) -> float:
    """How far a head reaches beyond the straight shell, mm."""
    if kind == "flat":
        return 0.0
    if kind == "hemispherical":
        return diameter / 2.0
    if kind == "elliptical":
        return diameter / 4.0
    return torisphere(diameter, dish_f, knuckle_k).depth


# --- upright heads: volume below a depth measured from the lowest point -----------------------------------------------


def upright_head_volume(kind: HeadKind, diameter: float, depth: float) -> float:
    """Volume in the lowest `depth` mm of a bottom head, mm3; `depth` from 0 to the head's depth."""
    if kind == "flat":
        return 0.0
    if kind == "torispherical":
        return upright_torisphere_volume(torisphere(diameter, DEFAULT_DISH_F, DEFAULT_KNUCKLE_K), depth)
    return upright_ellipsoid_volume(diameter, head_depth(kind, diameter, 1.0, 0.0), depth)


def upright_ellipsoid_volume(diameter: float, full_depth: float, depth: float) -> float:
    """Lowest part of half an ellipsoid of revolution standing on its pole; a hemisphere when full_depth = D/2.

    Slices: r(x)^2 = R^2 (1 - (1 - x/a)^2), integrated from 0 to `depth`.
    """
    radius = diameter / 2.0
    relative = depth / full_depth
    return math.pi * radius * radius * full_depth * relative * relative * (1.0 - relative / 3.0)


def upright_torisphere_volume(head: Torisphere, depth: float) -> float:
    """Spherical cap below the junction, then knuckle slices with r(x) = R - q + sqrt(q^2 - (a - x)^2)."""
    in_dish = min(depth, head.junction_depth)
    volume = math.pi * in_dish * in_dish * (head.dish - in_dish / 3.0)
    if depth > head.junction_depth:
        volume += _knuckle_slices(head, depth) - _knuckle_slices(head, head.junction_depth)
    return volume


def _knuckle_slices(head: Torisphere, depth: float) -> float:
    """Antiderivative of pi r(x)^2 over the knuckle."""
    q, centre = head.knuckle, head.radius - head.knuckle
    s = min(0.0, max(-q, depth - head.depth))
    root = math.sqrt(max(0.0, q * q - s * s))
    ring = centre * (s * root + q * q * math.asin(s / q))
    return math.pi * (centre * centre * s + ring + q * q * s - s * s * s / 3.0)


# --- lying heads: volume of one head below a level --------------------------------------------------------------------


def lying_head_volume(kind: HeadKind, diameter: float, dish_f: float, knuckle_k: float, level: float) -> float:
    """Volume in one head of a lying cylinder below `level` (0 to D), mm3."""
    if kind == "flat":
        return 0.0
    if kind == "torispherical":
        return lying_torisphere_volume(torisphere(diameter, dish_f, knuckle_k), level)
    return lying_ellipsoid_volume(diameter, head_depth(kind, diameter, dish_f, knuckle_k), level)


def lying_ellipsoid_volume(diameter: float, depth: float, level: float) -> float:
    """Half an ellipsoid of revolution about the tank's axis: each horizontal slice is half an ellipse.

    V = pi/2 (a/R) (R h^2 - h^3/3), the segment of a sphere scaled by a/R along the axis and halved.
    """
    radius = diameter / 2.0
    return math.pi / 2.0 * (depth / radius) * level * level * (radius - level / 3.0)


def lying_torisphere_volume(head: Torisphere, level: float) -> float:
    """Integrated over the dish and the knuckle separately: their join is not smooth enough to be crossed."""
    dish_back = head.dish - head.depth
    ring_centre = head.radius - head.knuckle

    def dish_profile(rho: float) -> float:
        return math.sqrt(max(0.0, head.dish * head.dish - rho * rho)) - dish_back

    def knuckle_profile(rho: float) -> float:
        return math.sqrt(max(0.0, head.knuckle * head.knuckle - (rho - ring_centre) ** 2))

    dish = lying_profile_volume(dish_profile, 0.0, head.junction_radius, head.radius, level)
    return dish + lying_profile_volume(knuckle_profile, head.junction_radius, head.radius, head.radius, level)


def lying_profile_volume(
    profile: Callable[[float], float], inner: float, outer: float, radius: float, level: float
) -> float:
    """Volume below `level` of a body of revolution about a horizontal axis, between radii `inner` and `outer`.

    The body reaches profile(rho) along the axis at distance rho from it. On the circle of radius rho the wetted arc is
    2 rho acos(w / rho) for w = R - level, all of it when rho <= -w, none when rho <= w; V = integral of profile x arc.
    """
    below_axis = radius - level
    corner = abs(below_axis)

    def integrand(rho: float) -> float:
        if rho <= corner:
            return 0.0 if below_axis > 0.0 else 2.0 * math.pi * rho * profile(rho)
        return 2.0 * rho * math.acos(below_axis / rho) * profile(rho)

    if inner < corner < outer:
        return _integral(integrand, inner, corner) + _integral(integrand, corner, outer)
    return _integral(integrand, inner, outer)


def _integral(function: Callable[[float], float], low: float, high: float) -> float:
    """Gauss-Legendre after x = middle - half cos t, which smooths square-root ends (acos at the level, the knuckle)."""
    middle, half = (low + high) / 2.0, (high - low) / 2.0
    total = 0.0
    for t, weight in _NODES:
        total += weight * math.sin(t) * function(middle - half * math.cos(t))
    return total * half


def _gauss_legendre(count: int) -> tuple[tuple[float, float], ...]:
    """Nodes and weights on [0, pi]; roots of the Legendre polynomial by Newton's method, as in any numerics text."""
    nodes = []
    for i in range(count):
        x = math.cos(math.pi * (i + 0.75) / (count + 0.5))
        for _ in range(20):
            previous, current = 1.0, x
            for n in range(2, count + 1):
                previous, current = current, ((2 * n - 1) * x * current - (n - 1) * previous) / n
            slope = count * (x * current - previous) / (x * x - 1.0)
            x -= current / slope
        weight = 2.0 / ((1.0 - x * x) * slope * slope)
        nodes.append((math.pi / 2.0 * (1.0 + x), math.pi / 2.0 * weight))
    return tuple(nodes)


_NODES = _gauss_legendre(32)
