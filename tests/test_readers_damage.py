"""Any bytes and any mutation of a good file: a recording or a `CdaError`, nothing else."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cda.errors import CdaError
from cda.readers import read_recording

_SPEC = importlib.util.spec_from_file_location(
    "mutations", Path(__file__).with_name("studies") / "mutations.py"
)
assert _SPEC is not None
assert _SPEC.loader is not None
mutations = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(mutations)

GOOD = mutations.good_files()


def examples(count):
    return settings(
        max_examples=count,
        deadline=5000,
        derandomize=True,
        suppress_health_check=[HealthCheck.function_scoped_fixture],
    )


def spots(data):
    return st.lists(
        st.tuples(st.integers(0, len(data) - 1), st.integers(0, 255)), min_size=1, max_size=8
    )


def check(tmp_path, data, suffix):
    path = tmp_path / f"ride.{suffix}"
    path.write_bytes(data)
    refused = None
    try:
        ride = read_recording(path)
    except CdaError as error:
        refused = str(error)
    if refused is not None:
        assert "To fix: " in refused
        return
    assert np.all(np.diff(ride.time_s) > 0)
    assert len(ride.power_w) == len(ride.speed_m_s) == len(ride.distance_m) == len(ride.time_s)
    assert not np.isinf(ride.distance_m).any()


@examples(250)
@given(
    places=spots(GOOD["fit"]),
    cut=st.integers(0, len(GOOD["fit"])),
    removed=st.integers(0, 40),
    end=st.one_of(st.just(len(GOOD["fit"])), st.integers(1, len(GOOD["fit"]))),
)
def test_fit_mutations(tmp_path, places, cut, removed, end):
    data = bytearray(GOOD["fit"])
    for place, byte in places:
        data[place] = byte
    data = data[:end]
    del data[cut : cut + removed]
    check(tmp_path, bytes(data), "fit")


@pytest.mark.parametrize("suffix", ["tcx", "gpx"])
@examples(60)
@given(data=st.data())
def test_xml_mutations(tmp_path, suffix, data):
    damaged = bytearray(GOOD[suffix])
    for place, byte in data.draw(spots(damaged)):
        damaged[place] = byte
    check(tmp_path, bytes(damaged[: data.draw(st.integers(1, len(damaged)))]), suffix)


@examples(120)
@given(
    head=st.sampled_from([b"", GOOD["fit"][:14], b"<gpx>", b"\x1f\x8b\x08", b"time,power_w\n"]),
    tail=st.binary(max_size=300),
    suffix=st.sampled_from(["fit", "tcx", "gpx", "csv", "fit.gz"]),
)
def test_any_bytes(tmp_path, head, tail, suffix):
    check(tmp_path, head + tail, suffix)
