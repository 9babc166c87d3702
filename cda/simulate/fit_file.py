"""An invented ride as a FIT file, through fit-tool, which only development installs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cda.errors import OutputError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from cda.recording import RawLap

# Recording channel -> attribute of the FIT record message; all of them in SI units or degrees.
FIELDS = {
    "power_w": "power",
    "speed_m_s": "enhanced_speed",
    "distance_m": "distance",
    "altitude_m": "enhanced_altitude",
    "latitude_deg": "position_lat",
    "longitude_deg": "position_long",
    "cadence_rpm": "cadence",
    "heart_rate_bpm": "heart_rate",
}
WHOLE = {"power_w", "cadence_rpm", "heart_rate_bpm"}
DEVELOPER_FIELDS = {"airspeed_m_s": ("airspeed", "m/s"), "yaw_deg": ("yaw", "deg")}


def fit_bytes(
    clock_s: NDArray[np.float64],
    columns: Mapping[str, NDArray[np.float64]],
    laps: Sequence[RawLap],
    *,
    utc_offset_s: float,
    progress: Callable[[float], None] | None = None,
) -> bytes:
    """Return the bytes of a FIT activity.

    Parameters
    ----------
    clock_s : ndarray, shape (n,)
        Unix time of the samples, whole seconds. [s]
    columns : mapping of str to ndarray, shape (n,)
        Channels as in `Recording`; NaN is left out of its record.
    laps : sequence of RawLap
        On the same clock.
    utc_offset_s : float
        Local time minus UTC. [s]
    progress : callable, optional
        Called now and then with the share done: fit-tool takes seconds for hours of riding.

    Raises
    ------
    OutputError
        If fit-tool is not installed, or the samples are not on whole seconds.
    """
    try:
        from fit_tool.fit_file_builder import FitFileBuilder
        from fit_tool.profile.messages.activity_message import ActivityMessage
        from fit_tool.profile.messages.event_message import EventMessage
        from fit_tool.profile.messages.file_id_message import FileIdMessage
        from fit_tool.profile.messages.lap_message import LapMessage
        from fit_tool.profile.messages.record_message import RecordMessage
        from fit_tool.profile.messages.session_message import SessionMessage
        from fit_tool.profile.profile_type import (
            Activity,
            Event,
            EventType,
            FileType,
            LapTrigger,
            Manufacturer,
            Sport,
        )
    except ImportError as error:
        raise OutputError(
            "writing FIT files needs the package fit-tool, which is not installed",
            where="--format fit",
            fix="pip install 'cda-field-test[test]', or take --format csv",
        ) from error
    if not np.allclose(clock_s, np.round(clock_s), rtol=0.0, atol=1e-6):
        raise OutputError(
            "a FIT file stores whole seconds; these samples lie between them",
            where="--format fit",
            fix="take --format csv, or a sample interval of whole seconds",
        )
    stamps = [round(t) * 1000 for t in clock_s]  # fit-tool speaks milliseconds
    triggers = {
        "manual": LapTrigger.MANUAL,
        "distance": LapTrigger.DISTANCE,
        "session_end": LapTrigger.SESSION_END,
    }
    builder = FitFileBuilder(auto_define=True, min_string_size=0)

    def add(message: Any, local_id: int, **values: object) -> None:
        message.local_id = local_id
        for name, value in values.items():
            setattr(message, name, value)
        builder.add(message)

    add(
        FileIdMessage(),
        0,
        type=FileType.ACTIVITY,
        manufacturer=Manufacturer.DEVELOPMENT.value,
        product=0,
        serial_number=1,
        time_created=stamps[0],
    )
    extra = [key for key in DEVELOPER_FIELDS if key in columns]
    if extra:
        _describe_developer_fields(add, extra)
    add(EventMessage(), 1, event=Event.TIMER, event_type=EventType.START, timestamp=stamps[0])
    present = [(key, name) for key, name in FIELDS.items() if key in columns]
    pending = list(laps)
    for i, stamp in enumerate(stamps):
        while pending and pending[0].end_s * 1000.0 < stamp:
            _add_lap(add, LapMessage(), pending.pop(0), triggers)
        # A set of fields of its own gets a definition of its own: local ids 4 and above.
        record = RecordMessage(developer_fields=_developer_values(columns, extra, i))
        values: dict[str, object] = {"timestamp": stamp}
        for key, name in present:
            value = columns[key][i]
            if not np.isnan(value):
                values[name] = int(value) if key in WHOLE else float(value)
        complete = len(values) == len(present) + 1
        add(record, 4 if complete else 5, **values)
        if progress is not None and i % 500 == 0:
            progress(i / len(stamps))
    for lap in pending:
        _add_lap(add, LapMessage(), lap, triggers)
    elapsed = (stamps[-1] - stamps[0]) / 1000.0
    add(EventMessage(), 1, event=Event.TIMER, event_type=EventType.STOP_ALL, timestamp=stamps[-1])
    add(
        SessionMessage(),
        6,
        timestamp=stamps[-1],
        start_time=stamps[0],
        total_elapsed_time=elapsed,
        total_timer_time=elapsed,
        total_distance=float(columns["distance_m"][-1]),
        sport=Sport.CYCLING,
        first_lap_index=0,
        num_laps=len(laps),
    )
    add(
        ActivityMessage(),
        7,
        timestamp=stamps[-1],
        local_timestamp=_local_stamp(stamps[-1], utc_offset_s),
        total_timer_time=elapsed,
        num_sessions=1,
        type=Activity.MANUAL,
        event=Event.ACTIVITY,
        event_type=EventType.STOP,
    )
    return bytes(builder.build().to_bytes())


def _local_stamp(stamp_ms: int, utc_offset_s: float) -> int:
    """Return local time as seconds since 1989-12-31T00:00:00, as the FIT protocol counts it."""
    return stamp_ms // 1000 - 631_065_600 + int(utc_offset_s)


def _add_lap(
    add: Callable[..., None], message: Any, lap: RawLap, triggers: Mapping[str, object]
) -> None:
    add(
        message,
        2,
        timestamp=round(lap.end_s) * 1000,
        start_time=round(lap.start_s) * 1000,
        total_elapsed_time=lap.end_s - lap.start_s,
        total_timer_time=lap.end_s - lap.start_s,
        lap_trigger=triggers[lap.trigger or "manual"],
    )


def _describe_developer_fields(add: Callable[..., None], keys: Sequence[str]) -> None:
    from fit_tool.base_type import BaseType
    from fit_tool.profile.messages.developer_data_id_message import DeveloperDataIdMessage
    from fit_tool.profile.messages.field_description_message import FieldDescriptionMessage

    add(DeveloperDataIdMessage(), 3, developer_data_index=0, application_version=1)
    for number, key in enumerate(keys):
        name, units = DEVELOPER_FIELDS[key]
        add(
            FieldDescriptionMessage(),
            8,
            developer_data_index=0,
            field_definition_number=number,
            fit_base_type_id=BaseType.FLOAT32.value,
            field_name=name,
            units=units,
        )


def _developer_values(
    columns: Mapping[str, NDArray[np.float64]], keys: Sequence[str], i: int
) -> list[Any] | None:
    if not keys:
        return None
    from fit_tool.base_type import BaseType
    from fit_tool.developer_field import DeveloperField

    fields = []
    for number, key in enumerate(keys):
        value = float(columns[key][i])
        if np.isnan(value):
            continue
        name, units = DEVELOPER_FIELDS[key]
        field = DeveloperField(
            field_id=number,
            developer_data_index=0,
            name=name,
            base_type=BaseType.FLOAT32,
            units=units,
            size=4,
        )
        field.set_value(0, value)
        fields.append(field)
    return fields
