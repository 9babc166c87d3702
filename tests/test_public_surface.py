"""What `cda` offers is what it exports, and it loads nothing before it is asked."""

import inspect
import subprocess
import sys

import pytest

import cda

PROMISED = {  # the Python part of the contract
    "CdaError",
    "air_density",
    "estimate_cda",
    "load_race",
    "load_session",
    "power_at_speed",
    "speed_at_power",
    "time_savings",
}


def test_what_is_promised_is_exported() -> None:
    assert set(cda.__all__) >= PROMISED


@pytest.mark.parametrize("name", cda.__all__)
def test_an_exported_name_can_be_loaded_and_is_itself(name: str) -> None:
    thing = getattr(cda, name)
    assert thing.__name__ == name
    assert inspect.getdoc(thing)


def test_exported_names_are_those_with_a_home() -> None:
    assert sorted(cda.__all__) == sorted(cda._HOME)
    assert set(cda.__all__) <= set(dir(cda))


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'estimate'"):
        _ = cda.estimate


def test_import_cda_loads_nothing_heavy() -> None:
    code = "import sys, cda; print(*sorted({m.split('.')[0] for m in sys.modules}))"
    shown = subprocess.run([sys.executable, "-c", code], text=True, capture_output=True, check=True)
    assert not set(shown.stdout.split()) & {"numpy", "scipy", "pandas", "matplotlib", "pydantic"}
