"""How fast a pass sprays: flow while the machine drives, and ground that it does in an hour."""

from __future__ import annotations

from collections.abc import Iterable

from rxmap.grid import M2_PER_HA
from rxmap.plan import Machine
from rxmap.units import convert, denominator, numerator

S_PER_MINUTE, S_PER_HOUR = 60.0, 3600.0


def flow(volume: float, speed: float, width: float) -> float:
    """Spray that goes out while a width is driven [L/minute].

    Parameters
    ----------
    volume : float [L/ha]
        Total spray.
    speed : float [m/s]
        Of the machine.
    width : float [m]
        Of one nozzle, a section or the swath.

    Examples
    --------
    100 L/ha at 10 km/h through a nozzle every half metre:

    >>> round(flow(100.0, 10 / 3.6, 0.5), 5)
    0.83333
    """
    return volume / M2_PER_HA * speed * width * S_PER_MINUTE


def work_rate(speed: float, width: float, efficiency: float = 1.0) -> float:
    """Ground that is done in an hour [ha/hour].

    Parameters
    ----------
    speed : float [m/s]
        Of the machine.
    width : float [m]
        Of the swath.
    efficiency : float
        Share of the time that is spent spraying.

    References
    ----------
    ASABE EP496, Agricultural machinery management: field capacity (from memory).

    Examples
    --------
    >>> round(work_rate(10 / 3.6, 24.0, 0.65), 3)
    15.6
    """
    return speed * width * efficiency * S_PER_HOUR / M2_PER_HA


def pace(machine: Machine, volumes: Iterable[float]) -> str:
    """Say flow and work rate of a machine, in the units of its carrier; of several volumes the flow of each.

    Parameters
    ----------
    machine : Machine
        Swath, carrier and speed.
    volumes : iterable of float [L/ha]
        Total spray of every rate in use.
    """
    swath, speed = machine.swath.to("m"), machine.speed_m_s
    liquid, area = numerator(machine.carrier.unit), denominator(machine.carrier.unit)
    unit = machine.carrier.unit
    sprayed = {f"{convert(each, 'L/ha', unit):.6g} {unit}": flow(each, speed, swath) for each in sorted(volumes)}
    several = len(sprayed) > 1
    flows = [
        f"{convert(litres, 'L', liquid):.4g} {liquid}/minute{f' for {volume}' * several}"
        for volume, litres in sprayed.items()
    ]
    at = str(machine.speed) if machine.speed else f"{speed:g} m/s, the plan gives none"
    return (
        f"{', '.join(flows)}{',' * several} over the whole swath at {at}; "
        f"{convert(work_rate(speed, swath), 'ha', area):.3g} {area}/hour while it sprays"
    )
