"""`cda air`: air density from a weather reading."""

from __future__ import annotations

import click

from cda.cli.options import json_option
from cda.cli.shell import ANSWER
from cda.cli.talk import print_document, say_next

EPILOG = """\b
Examples:
  cda air --temperature-c 20 --pressure-hpa 1013 --humidity 0.5
  cda air --temperature-c 13 --sea-level-pressure-hpa 1021 --elevation-m 430 --humidity 0.7 \\
      --temperature-sd-c 0.5"""


@click.command("air", epilog=EPILOG)
@click.option(
    "--temperature-c",
    type=click.FloatRange(-50, 60),
    required=True,
    metavar="°C",
    help="Temperature in the shade.",
)
@click.option(
    "--pressure-hpa",
    type=click.FloatRange(300, 1100),
    metavar="HPA",
    help="Pressure at the road (station pressure), not reduced to sea level.",
)
@click.option(
    "--sea-level-pressure-hpa",
    type=click.FloatRange(850, 1100),
    metavar="HPA",
    help="Pressure as weather services give it; needs --elevation-m.",
)
@click.option(
    "--elevation-m",
    type=click.FloatRange(-500, 6000),
    metavar="M",
    help="Height of the road above the sea.",
)
@click.option(
    "--humidity",
    type=click.FloatRange(0, 1),
    default=0.5,
    show_default=True,
    metavar="SHARE",
    help="Relative humidity, 0 to 1.",
)
@click.option("--temperature-sd-c", type=click.FloatRange(0, 20), metavar="°C", help="Its sd.")
@click.option("--pressure-sd-hpa", type=click.FloatRange(0, 100), metavar="HPA", help="Its sd.")
@click.option("--humidity-sd", type=click.FloatRange(0, 0.5), metavar="SHARE", help="Its sd.")
@json_option
def command(
    *,
    temperature_c: float,
    pressure_hpa: float | None,
    sea_level_pressure_hpa: float | None,
    elevation_m: float | None,
    humidity: float,
    temperature_sd_c: float | None,
    pressure_sd_hpa: float | None,
    humidity_sd: float | None,
    as_json: bool,
) -> int:
    """Compute the density of moist air (CIPM-2007), with its uncertainty where sds are given."""
    if (pressure_hpa is None) == (sea_level_pressure_hpa is None):
        raise click.UsageError("give one of --pressure-hpa and --sea-level-pressure-hpa")
    if sea_level_pressure_hpa is not None and elevation_m is None:
        raise click.UsageError("--sea-level-pressure-hpa needs --elevation-m")
    from cda.air import air_density, station_pressure

    def density(temperature: float, pressure: float, moisture: float) -> float:
        if sea_level_pressure_hpa is not None and elevation_m is not None:
            pressure = float(station_pressure(pressure * 100.0, elevation_m)) / 100.0
        return float(
            air_density(
                temperature_c=temperature, pressure_hpa=pressure, relative_humidity=moisture
            )
        )

    given = pressure_hpa if pressure_hpa is not None else sea_level_pressure_hpa
    assert given is not None
    at = (temperature_c, given, humidity)
    value = density(*at)
    variances = []
    for index, sd in enumerate((temperature_sd_c, pressure_sd_hpa, humidity_sd)):
        if sd is None:
            continue
        step = 0.01 if index < 2 else 0.001 * (-1.0 if humidity > 0.5 else 1.0)
        moved = [x + (step if i == index else 0.0) for i, x in enumerate(at)]
        slope = (density(*moved) - value) / step
        variances.append((slope * sd) ** 2)
    se = sum(variances) ** 0.5 if variances else None
    if as_json:
        print_document(
            {
                "schema": 1,
                "kind": "air",
                "air_density_kg_m3": value,
                "se_kg_m3": se,
                "temperature_c": temperature_c,
                "pressure_hpa": pressure_hpa,
                "sea_level_pressure_hpa": sea_level_pressure_hpa,
                "elevation_m": elevation_m,
                "relative_humidity": humidity,
            }
        )
    else:
        uncertainty = "" if se is None else f" ± {se:.4f} (k = 1)"
        click.echo(f"air density {value:.4f}{uncertainty} kg/m³")
    say_next("write the reading under [air] in session.toml; `cda schema session` lists its keys.")
    return ANSWER
