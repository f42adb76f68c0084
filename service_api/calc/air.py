"""Compressed air and the motors it drives. Pressures are absolute; a gauge reading has the atmosphere added first.

Air and water vapour are ideal gases here: within 0.5 % up to 10 bar at shop temperatures.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, log10, pi, sqrt

from service_api.calc.lines import fit_line
from service_api.calc.refused import Refused, need_finite, need_positive
from service_api.calc.uom import factor

ZERO_CELSIUS = 273.15  # K
GAS = 8.314462618  # J/(mol K), CODATA 2018, exact since the SI of 2019
MOLAR_MASS = 0.0289647  # kg/mol, dry air
VISCOSITY = 1.82e-5  # Pa s, dry air at 20 degC (Sutherland's law gives 1.81e-5 to 1.91e-5 from 20 to 40 degC)
REFERENCE_KPA, REFERENCE_C = 100.0, 20.0  # the reference atmosphere ANR of ISO 8778 (memory)
WATT_PER_HP = float(factor("[HP]", "W"))
CFM_PER_M3_H = float(factor("m3/h", "[cft_i]/min"))
LBFT_RPM_PER_HP = 33000 / (2 * pi)  # one horsepower is 33,000 ft lbf a minute, one turn 2 pi


@dataclass(frozen=True, slots=True)
class Referred:
    factor: float
    flow: float


@dataclass(frozen=True, slots=True)
class GasFlow:
    density: float  # kg/m3
    m3_per_h: float
    cfm: float


@dataclass(frozen=True, slots=True)
class Power:
    watts: float
    hp: float


@dataclass(frozen=True, slots=True)
class TorqueLine:
    """A motor whose torque falls in a straight line from stall to free speed; 0 to the free speed is its range."""

    stall_nm: float
    free_rpm: float

    @property
    def peak_rpm(self) -> float:
        return self.free_rpm / 2

    @property
    def peak_watts(self) -> float:
        return shaft_power(self.torque(self.peak_rpm), self.peak_rpm).watts

    def torque(self, rpm: float) -> float:
        """The torque in N m; below zero, beyond the free speed, the motor is driven."""
        need_finite(rpm)
        return self.stall_nm * (1 - rpm / self.free_rpm)


@dataclass(frozen=True, slots=True)
class HoseDrop:
    """Pressure at the far end and what was lost, kPa; Reynolds number, Darcy friction factor, greatest Mach number."""

    p_end_kpa: float
    drop_kpa: float
    reynolds: float
    friction: float
    mach: float


def referred_flow(
    flow: float,
    p_kpa: float,
    t_c: float,
    rh: float = 0.0,
    p_sat_kpa: float = 0.0,
    p_ref_kpa: float = REFERENCE_KPA,
    t_ref_c: float = REFERENCE_C,
) -> Referred:
    """Return a volume flow as the flow of the same dry air in a reference state.

    flow : 0 or above, any uom; p_kpa, p_ref_kpa : absolute, kPa; t_c, t_ref_c : degC
    rh : relative humidity, 0 to 1; p_sat_kpa : saturation pressure of water at t_c, kPa, needed with rh
    Raises Refused: `not-finite`, `not-positive` (no pressure is left for the dry air), `below-zero-kelvin`,
    `bad-humidity`.
    Source: pV/T is constant for the dry part (Dalton); reference atmosphere of ISO 8778 (memory).
    """
    need_finite(flow, rh, p_sat_kpa)
    need_positive(reference_pressure=p_ref_kpa)
    if not 0 <= rh <= 1 or p_sat_kpa < 0:
        raise Refused("bad-humidity", "a relative humidity lies in 0 to 1, a saturation pressure above 0")
    need_positive(pressure_of_the_dry_air=p_kpa - rh * p_sat_kpa)
    if flow < 0:
        raise Refused("not-positive", "a flow is 0 or above")
    ratio = (p_kpa - rh * p_sat_kpa) / p_ref_kpa * (_kelvin(t_ref_c) / _kelvin(t_c))
    return Referred(ratio, flow * ratio)


def volume_of_mass_flow(kg_per_h: float, p_pa: float, t_c: float, molar_mass: float = MOLAR_MASS) -> GasFlow:
    """Return the density and the volume flow of a mass flow of gas.

    kg_per_h : 0 or above; p_pa : absolute, Pa; t_c : degC; molar_mass : kg/mol
    Raises Refused: `not-finite`, `not-positive`, `below-zero-kelvin`. Source: ideal gas, R of CODATA 2018.
    """
    need_finite(kg_per_h)
    need_positive(pressure=p_pa, molar_mass=molar_mass)
    if kg_per_h < 0:
        raise Refused("not-positive", "a flow is 0 or above")
    density = p_pa * molar_mass / (GAS * _kelvin(t_c))
    return GasFlow(density, kg_per_h / density, kg_per_h / density * CFM_PER_M3_H)


def shaft_power(torque_nm: float, rpm: float) -> Power:
    """Return 2 pi n M. torque_nm : N m; rpm : turns a minute. Raises Refused: `not-finite`. hp is 550 ft lbf/s."""
    need_finite(torque_nm, rpm)
    watts = 2 * pi * torque_nm * rpm / 60
    return Power(watts, watts / WATT_PER_HP)


def hp_from_lbft(torque_lbft: float, rpm: float) -> float:
    """Return the power in hp. torque_lbft : lbf ft; rpm : turns a minute. Raises Refused: `not-finite`."""
    need_finite(torque_lbft, rpm)
    return torque_lbft * rpm / LBFT_RPM_PER_HP


def torque_line(stall_nm: float, free_rpm: float) -> TorqueLine:
    """Return the line of a motor from its two ends. Raises Refused: `not-finite`, `not-positive`.

    A vane motor comes near to it between a tenth and nine tenths of its free speed; common practice, no source.
    """
    need_positive(stall_torque=stall_nm, free_speed=free_rpm)
    return TorqueLine(stall_nm, free_rpm)


def fit_torque_line(rpm: Sequence[float], torque_nm: Sequence[float]) -> TorqueLine:
    """Fit the line of a motor to stand readings, at one inlet pressure under flow.

    Raises Refused as `fit_line` does, and `not-falling`: torque that does not fall with speed has no free speed.
    """
    line = fit_line(rpm, torque_nm)
    if line.slope >= 0 or line.intercept <= 0:
        raise Refused("not-falling", "the torque does not fall with speed from a torque at standstill")
    return TorqueLine(line.intercept, -line.intercept / line.slope)


def leak_down(volume_l: float, p1_kpa: float, p2_kpa: float, seconds: float, t1_c: float, t2_c: float) -> float:
    """Return the leak of a shut-in volume, as free air (ANR) in litres a minute.

    volume_l : litres, hoses counted; p1_kpa, p2_kpa : absolute, at the beginning and the end; t1_c, t2_c : of the air
    Raises Refused: `not-finite`, `not-positive`, `below-zero-kelvin`, `gained` (more air than before: let it settle).
    A mean over the time: a leak falls with its pressure, so keep the drop under a tenth. 1 K warmer hides 0.3 % of p1.
    Source: ideal gas; reference atmosphere of ISO 8778 (memory).
    """
    need_positive(volume=volume_l, seconds=seconds, p1=p1_kpa, p2=p2_kpa)
    before, after = p1_kpa / _kelvin(t1_c), p2_kpa / _kelvin(t2_c)
    if after > before:
        raise Refused("gained", "there is more air in it than before; let the temperature settle")
    free_litres = volume_l * (before - after) * _kelvin(REFERENCE_C) / REFERENCE_KPA
    return free_litres / seconds * 60


def hose_drop(
    free_l_s: float, bore_mm: float, length_m: float, p_in_kpa: float, t_c: float = 20.0, roughness_mm: float = 0.0015
) -> HoseDrop:
    """Return the pressure lost by steady air flow in a straight hose.

    free_l_s : free air (ANR), litres a second; p_in_kpa : absolute; roughness_mm : 0.0015 for smooth rubber or plastic
    (common practice, no source)
    Raises Refused: `not-finite`, `not-positive`, `below-zero-kelvin`, `not-turbulent` (Reynolds number under 4,000),
    `too-fast` (Mach number above 0.3 anywhere, or no steady flow at all), `bad-roughness` (above 0.05 of the bore).
    Valid for isothermal flow in a straight line of one bore; couplings and bends are not in it and often lose more.
    Viscosity is that of air at 20 degC: within 5 % from 0 to 40 degC, which moves the loss by 1 %.
    Source: p1**2 - p2**2 = (f L/D + 2 ln(p1/p2)) (m/A)**2 R T / M, isothermal flow in a pipe (Crane, Technical Paper
    410, chapter 1, memory); f by C. F. Colebrook, J. Inst. Civil Eng. 11 (1939) 133-156, solved to a rounding.
    """
    need_positive(flow=free_l_s, bore=bore_mm, length=length_m, p_in=p_in_kpa)
    need_finite(roughness_mm)
    bore, specific = bore_mm / 1000, GAS / MOLAR_MASS
    if not 0 <= roughness_mm / bore_mm <= 0.05:
        raise Refused("bad-roughness", "the roughness lies in 0 to a twentieth of the bore")
    kelvin = _kelvin(t_c)
    mass = free_l_s / 1000 * REFERENCE_KPA * 1000 / (specific * _kelvin(REFERENCE_C))  # kg/s
    flux = mass / (pi * bore * bore / 4)
    reynolds = flux * bore / VISCOSITY
    if reynolds < 4000:
        raise Refused("not-turbulent", f"a Reynolds number of {reynolds:.0f}: the flow may be laminar")
    friction = darcy_friction(reynolds, roughness_mm / bore_mm)
    p_in = p_in_kpa * 1000
    p_end, lost = p_in, friction * length_m / bore
    for _ in range(100):
        square = p_in * p_in - (lost + 2 * log(p_in / p_end)) * flux * flux * specific * kelvin
        if square <= 0:
            raise Refused("too-fast", "the hose cannot carry this flow")
        p_end, before = sqrt(square), p_end
        if abs(p_end - before) < 1e-12 * p_in:
            break
    # the speed of sound with a ratio of specific heats of 1.4
    mach = flux * specific * kelvin / p_end / sqrt(1.4 * specific * kelvin)
    if mach > 0.3:
        raise Refused("too-fast", f"a Mach number of {mach:.2f} at the far end")
    return HoseDrop(p_end / 1000, (p_in - p_end) / 1000, reynolds, friction, mach)


def darcy_friction(reynolds: float, relative_roughness: float) -> float:
    """Return Colebrook's friction factor (Darcy, four times Fanning's). reynolds : 4,000 or more. Raises Refused."""
    need_finite(reynolds, relative_roughness)
    if reynolds < 4000 or not 0 <= relative_roughness <= 0.05:
        raise Refused("not-turbulent", "Colebrook's equation holds from a Reynolds number of 4,000 on")
    root = 8.0  # 1 / sqrt(f); the iteration gains a digit and a half a step
    for _ in range(60):
        following = -2 * log10(relative_roughness / 3.7 + 2.51 * root / reynolds)
        if abs(following - root) < 1e-14 * root:
            break
        root = following
    return 1 / (root * root)


def _kelvin(celsius: float) -> float:
    need_finite(celsius)
    if celsius <= -ZERO_CELSIUS:
        raise Refused("below-zero-kelvin", f"{celsius} degC lies below absolute zero")
    return celsius + ZERO_CELSIUS
