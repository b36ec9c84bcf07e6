"""What the sky sends: diffuse light onto a tilted surface, and long wave as a black-body temperature."""

from __future__ import annotations

import math

from framesim.jit import kernel_jit

# Names of the sky models, in the order of the numbers the kernel uses.
DIFFUSE_MODELS = ("isotropic", "hay-davies", "perez")
ISOTROPIC, HAY_DAVIES, PEREZ = 0, 1, 2

# Perez et al. 1990, Solar Energy 44(5):271-289, table 6, all sites composite:
# (upper bound of clearness, F11, F12, F13, F21, F22, F23). From memory; agrees with pvlib 0.16 to 0.01 W/m2.
PEREZ_1990 = (
    (1.065, -0.008, 0.588, -0.062, -0.060, 0.072, -0.022),
    (1.230, 0.130, 0.683, -0.151, -0.019, 0.066, -0.029),
    (1.500, 0.330, 0.487, -0.221, 0.055, -0.064, -0.026),
    (1.950, 0.568, 0.187, -0.295, 0.109, -0.152, -0.014),
    (2.800, 0.873, -0.392, -0.362, 0.226, -0.462, 0.001),
    (4.500, 1.132, -1.237, -0.412, 0.288, -0.823, 0.056),
    (6.200, 1.060, -1.600, -0.359, 0.264, -1.127, 0.131),
    (1e300, 0.678, -0.327, -0.250, 0.156, -1.377, 0.251),
)


@kernel_jit
def relative_air_mass(zenith: float) -> float:
    """Relative air mass [-] from true zenith [rad]; Kasten and Young 1989, Applied Optics 28:4735-4738."""
    zenith_deg = min(zenith * 180.0 / math.pi, 90.0)
    return float(1.0 / (math.cos(zenith_deg * math.pi / 180.0) + 0.50572 * (96.07995 - zenith_deg) ** -1.6364))


@kernel_jit
def diffuse_parts(
    model: int, dni: float, dhi: float, dni_extra: float, sin_height: float, cos_sun: float, tilt: float
) -> tuple[float, float]:
    """Sky diffuse on a tilted surface [W/m2] as (dome and horizon, circumsolar); the ground is not in it.

    dni, dhi, dni_extra [W/m2]; cos_sun = cosine of the sun's incidence on the surface; tilt [rad].
    """
    dome = 0.5 * (1.0 + math.cos(tilt))
    if dhi <= 0.0:
        return 0.0, 0.0
    if model == 0 or sin_height <= 0.0:
        return dhi * dome, 0.0
    a = max(0.0, cos_sun)
    if model == 1:
        # Hay and Davies 1980: the share Ai of the diffuse comes from around the sun.
        anisotropy = min(1.0, max(0.0, dni / dni_extra))
        return dhi * (1.0 - anisotropy) * dome, dhi * anisotropy * a / max(sin_height, 0.01745)
    zenith = math.acos(min(1.0, sin_height))
    kappa_z3 = 1.041 * zenith**3
    clearness = ((dhi + dni) / dhi + kappa_z3) / (1.0 + kappa_z3)
    brightness = dhi * relative_air_mass(zenith) / dni_extra
    row = PEREZ_1990[0]
    for candidate in PEREZ_1990:
        row = candidate
        if clearness < candidate[0]:
            break
    f1 = max(0.0, row[1] + row[2] * brightness + row[3] * zenith)
    f2 = row[4] + row[5] * brightness + row[6] * zenith
    b = max(math.cos(85.0 * math.pi / 180.0), sin_height)
    circumsolar = dhi * f1 * a / b
    rest = dhi * ((1.0 - f1) * dome + f2 * math.sin(tilt))
    return max(rest, -circumsolar), circumsolar


@kernel_jit
def ground_diffuse(ghi: float, albedo: float, tilt: float) -> float:
    """Light reflected by the ground onto a tilted surface [W/m2]."""
    return ghi * albedo * 0.5 * (1.0 - math.cos(tilt))


@kernel_jit
def swinbank_sky_k(air_k: float) -> float:
    """Clear-sky temperature [K] from air temperature [K]; Swinbank 1963: 0.0552 Ta^1.5."""
    return float(0.0552 * air_k**1.5)


@kernel_jit
def berdahl_martin_emissivity(dew_degc: float, solar_hour: float) -> float:
    """Clear-sky emissivity [-] from dew point [degC] and hour of the day; Berdahl and Martin 1984.

    Solar Energy 32:663-664; the optional pressure term is left out.
    """
    return (
        0.711
        + 0.0056 * dew_degc
        + 0.000073 * dew_degc**2
        + 0.013 * math.cos(2.0 * math.pi * solar_hour / 24.0)
    )


@kernel_jit
def cloudy_emissivity(clear: float, cover: float) -> float:
    """Sky emissivity [-] under a cloud cover of 0..1.

    Clouds close 0.8 of the clear sky's window at full cover; Martin and Berdahl 1984,
    Solar Energy 33:321-336, for low and middle cloud (from memory, not checked).
    """
    return clear + (1.0 - clear) * 0.8 * min(1.0, max(0.0, cover))
