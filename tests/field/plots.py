"""The invented plots, their meters and their loggers: what stands in the field.

Belongs here: sizes, soil and drain properties, which meter counts where and by which true litres per pulse.
Does not: any time series (water.py, meters.py), any file (raw_files.py, site_folder.py).
"""

from dataclasses import dataclass
from datetime import date

import numpy as np

from tests.field.plan import Plan

ERROR_CURVES: dict[int, tuple[tuple[float, float], ...]] = {
    75: ((2.0, 12.0), (4.2, 5.0), (20.0, 1.0), (200.0, 0.2)),
    100: ((3.6, 12.0), (7.5, 5.0), (36.0, 1.0), (360.0, 0.2)),
}
"""Points (L/min, ±%) of a meter's error curve, by bore in mm.

That a 75 mm meter leaves ±5 % at 4.2 L/min is common practice, no source; the larger bore has the same curve by velocity.
"""

TOP_L_MIN = {75: 600, 100: 1100}
EXACT_LITRES_PER_PULSE = 0.01
BINARY_MODULUS = 2**16
DECIMAL_MODULUS = 10**6
EXACT_MODULUS = 2**32


@dataclass(frozen=True)
class Plot:
    """A drained plot.

    Attributes:
        field_capacity_mm: soil water above wilting point that the root zone holds against gravity.
        macropore_share: of the recharge, that reaches the water table within the hour.
        percolation_hours: time constant of the rest of the recharge on its way down.
        drainable_porosity: water released per lowering of the water table, m/m.
        recession_hours: time constant of the drains at a low water table.
        quickening_mm: storage above the drains at which flow is twice what recession_hours alone gives.
        drain_limit_mm_per_hour: what the buried main can carry.
        deep_seepage_per_hour: share of the storage above the deep outlet that is lost downward each hour.
        crop_factor: how much more than the site's demand its crop would evaporate.
        outlet_m: height of the drain outlet above the ditch's bed.
        nitrate_mg_l: level around which the nitrate-N concentration moves.
        controlled_from: first day under controlled drainage, if ever.
    """

    plot: str
    title: str
    area_ha: float
    field_capacity_mm: float
    macropore_share: float
    percolation_hours: float
    drainable_porosity: float
    recession_hours: float
    quickening_mm: float
    drain_limit_mm_per_hour: float
    deep_seepage_per_hour: float
    crop_factor: float
    outlet_m: float
    nitrate_mg_l: float
    controlled_from: date | None


@dataclass(frozen=True)
class Calibration:
    """One period of a meter and direction: what the register says, and what is true."""

    direction: str
    litres_per_pulse: float
    true_litres_per_pulse: float
    expanded_uncertainty_pct: float
    first_day: date
    evidence: str
    entered: date


@dataclass(frozen=True)
class Channel:
    """A pair of logger columns on which a meter counts from a day on."""

    forward: str
    reverse: str
    first_day: date


@dataclass(frozen=True)
class Meter:
    """The full-pipe meter of one plot.

    Attributes:
        counts: "interval" (pulses since the last line) or "running" (a total kept in the meter's own register: it goes on
            while the logger is dark, and starts from zero when the meter itself is replaced).
        first_counts: running totals at the beginning of the record, forward and reverse.
        error_waves: (amplitude, waves per unit of log flow, phase) of the realised error as a share of the error curve.
    """

    meter: str
    plot: int
    logger: str
    bore_mm: int
    main_mm: int
    counts: str
    modulus: int | None
    first_counts: tuple[int, int]
    channels: tuple[Channel, ...]
    calibrations: tuple[Calibration, ...]
    error_waves: tuple[float, float, float]

    def channel_on(self, day: date) -> Channel:
        return max((c for c in self.channels if c.first_day <= day), key=lambda c: c.first_day)


@dataclass(frozen=True)
class Logger:
    """A logger and its columns in file order; meters fill some of the count columns, the rest stay at zero."""

    logger: str
    count_columns: tuple[str, ...]
    voltage_column: str
    level_column: str | None


def invent_plots(plan: Plan) -> list[Plot]:
    """Plots that are alike but not equal; the second and the fourth come under controlled drainage."""
    generator = plan.stream("plots")
    spread = (np.arange(plan.plots) + 0.5) / plan.plots
    areas = generator.permutation(0.55 + 2.4 * spread) * generator.uniform(0.95, 1.05, plan.plots)
    controlled_from = plan.day_in_record(0.374)
    return [
        Plot(
            plot=f"P{number + 1}",
            title=f"Plot {number + 1}",
            area_ha=round(float(areas[number]), 2),
            field_capacity_mm=round(generator.uniform(112, 150), 1),
            macropore_share=round(generator.uniform(0.15, 0.32), 3),
            percolation_hours=round(generator.uniform(9, 22), 1),
            drainable_porosity=round(generator.uniform(0.043, 0.058), 4),
            recession_hours=round(generator.uniform(70, 125), 1),
            quickening_mm=round(generator.uniform(25, 50), 1),
            drain_limit_mm_per_hour=round(generator.uniform(0.55, 0.78), 3),
            deep_seepage_per_hour=round(generator.uniform(0.4e-4, 1.4e-4), 7),
            crop_factor=round(generator.uniform(0.9, 1.1), 3),
            outlet_m=round(generator.uniform(1.02, 1.32), 2),
            nitrate_mg_l=round(generator.uniform(10.5, 15.5), 2),
            controlled_from=controlled_from if number in (1, 3) else None,
        )
        for number in range(plan.plots)
    ]


def plots_of_loggers(plan: Plan) -> dict[str, range]:
    """Which plots, by index, hang on which logger: the first half on `east`, the rest on `west`."""
    east = max(1, plan.plots // 2)
    return {name: plots for name, plots in {"east": range(east), "west": range(east, plan.plots)}.items() if len(plots)}


def count_column(logger: str, number: int) -> str:
    return f"n{number}" if logger == "east" else f"CH{number:02d}"


def invent_loggers(plan: Plan) -> list[Logger]:
    """The loggers: a pair of count columns per plot and one spare pair; the last one also records the ditch."""
    by_logger = plots_of_loggers(plan)
    return [
        Logger(
            logger=name,
            count_columns=tuple(count_column(name, n) for n in range(1, 2 * len(plots) + 3)),
            voltage_column="supply" if name == "east" else "BATT",
            level_column=("ditch" if name == "east" else "STAGE") if name == list(by_logger)[-1] else None,
        )
        for name, plots in by_logger.items()
    ]


def invent_calibrations(plan: Plan, generator: np.random.Generator, recalibrated: bool) -> tuple[Calibration, ...]:
    """What the register says of a meter, and the truth that lies about half the stated uncertainty beside it."""
    rows = []
    nominal = generator.uniform(5.2, 9.6)
    starts = [(plan.first_day, "bench proof before installation")]
    if recalibrated:
        starts.append((plan.day_in_record(0.46), "rotor exchanged, proved again on the bench"))
    for number, (first_day, evidence) in enumerate(starts):
        for direction, uncertainty_pct in (("forward", 1.0), ("reverse", 1.6)):
            deviation = np.clip(generator.standard_normal(), -1.9, 1.9) * uncertainty_pct / 200
            register = round(nominal * (1 + 0.047 * number) * (1.0 if direction == "forward" else 1.012), 3)
            rows.append(
                Calibration(
                    direction=direction,
                    litres_per_pulse=register if plan.pulses else EXACT_LITRES_PER_PULSE,
                    true_litres_per_pulse=(
                        round(float(register * (1 + deviation)), 6) if plan.pulses else EXACT_LITRES_PER_PULSE
                    ),
                    expanded_uncertainty_pct=uncertainty_pct if plan.pulses else 0.01,
                    first_day=first_day,
                    evidence=evidence,
                    entered=first_day,
                )
            )
    return tuple(rows)


def running_modulus(plan: Plan, index: int) -> int | None:
    """Where a plot's meter keeps running totals, the number at which they begin again."""
    if index == 0 or index not in (1, plan.plots - 1):
        return None
    if not plan.pulses:
        return EXACT_MODULUS
    return BINARY_MODULUS if index == 1 else DECIMAL_MODULUS


def invent_meters(plan: Plan, plots: list[Plot]) -> list[Meter]:
    """One meter per plot.

    The first is recalibrated within the record; the third moves to its logger's spare channel; the second and the last
    count by running totals, with a binary and a decimal modulus.
    """
    generator = plan.stream("meters")
    meters = []
    for logger, members in plots_of_loggers(plan).items():
        spare = Channel(
            count_column(logger, 2 * len(members) + 1),
            count_column(logger, 2 * len(members) + 2),
            plan.day_in_record(0.61),
        )
        for place, index in enumerate(members):
            bore_mm = 75 if plots[index].area_ha < 1.6 else 100
            modulus = running_modulus(plan, index)
            own = Channel(count_column(logger, 2 * place + 1), count_column(logger, 2 * place + 2), plan.first_day)
            meters.append(
                Meter(
                    meter=f"{logger[0].upper()}{place + 1}",
                    plot=index,
                    logger=logger,
                    bore_mm=bore_mm,
                    main_mm=150 if bore_mm == 75 else 200,
                    counts="interval" if modulus is None else "running",
                    modulus=modulus,
                    first_counts=(
                        int(generator.integers(0, 40_000)),
                        (modulus or 1_000) - int(generator.integers(20, 200)),
                    ),
                    channels=(own, spare) if index == 2 else (own,),
                    calibrations=invent_calibrations(plan, generator, recalibrated=index == 0),
                    error_waves=(
                        round(generator.uniform(0.45, 0.85), 3),
                        round(generator.uniform(0.5, 1.1), 3),
                        round(generator.uniform(0, 2 * np.pi), 3),
                    ),
                )
            )
    return meters
