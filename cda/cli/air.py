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
    type=click.FloatRange(-20, 50),
    required=True,
    metavar="°C",
    help="Temperature in the shade.",
)
@click.option(
    "--pressure-hpa",
    type=click.FloatRange(500, 1100),
    metavar="HPA",
    help="Pressure at the road (station pressure), not reduced to sea level.",
)
@click.option(
    "--sea-level-pressure-hpa",
    type=click.FloatRange(870, 1090),
    metavar="HPA",
    help="Pressure as weather services give it; needs --elevation-m.",
)
@click.option(
    "--elevation-m",
    type=click.FloatRange(-400, 5000),
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
    from cda.air import air_density_with_uncertainty, station_pressure

    pressure, pressure_sd = pressure_hpa, pressure_sd_hpa or 0.0
    if sea_level_pressure_hpa is not None and elevation_m is not None:
        pressure = float(station_pressure(sea_level_pressure_hpa * 100.0, elevation_m)) / 100.0
        pressure_sd *= pressure / sea_level_pressure_hpa
    assert pressure is not None
    density = air_density_with_uncertainty(
        temperature_c=temperature_c,
        pressure_hpa=pressure,
        relative_humidity=humidity,
        temperature_sd_c=temperature_sd_c or 0.0,
        pressure_sd_hpa=pressure_sd,
        relative_humidity_sd=humidity_sd or 0.0,
    )
    given = [sd for sd in (temperature_sd_c, pressure_sd_hpa, humidity_sd) if sd is not None]
    value = density.density_kg_m3
    se = density.se_kg_m3 if given else None  # unknown, not zero, where no reading has one
    if as_json:
        print_document(
            {
                "schema": 1,
                "kind": "air",
                "air_density_kg_m3": value,
                "se_kg_m3": se,
                "temperature_c": temperature_c,
                "pressure_hpa": pressure,
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
