"""The tables of the archive, by version: SQLite, read by anything that reads SQLite.

`PRAGMA user_version` is the number of migrations applied, `PRAGMA application_id` says whose file
it is. A migration, once released, is never changed: a new one is added at the end.

=============  ===================================================================================
table          a row
=============  ===================================================================================
`test`         one test folder: where, what it was computed from, how it ended, what it was
`position`     one position of one test: CdA and its uncertainty
`difference`   one pair of positions of one test: `position` minus `reference`
`finding`      one reason for doubt about one test
`ride`         one stretch ridden, to notice the same ride in two folders
=============  ===================================================================================

Columns carry their units; NULL is unknown. `folder` is the path below the folder searched.
`state` is "done", "bad" (the files have to be mended) or "fault" (not the files' fault, tried
again). `statistical_covariance_m4` is the covariance of the two positions' statistical errors.
"""

from __future__ import annotations

from typing import Final

APPLICATION_ID: Final = 0x63646146  # "cdaF"

MIGRATIONS: Final[tuple[tuple[str, ...], ...]] = (
    (  # 1
        """
        CREATE TABLE test (
            folder TEXT PRIMARY KEY,
            fingerprint TEXT,             -- SHA-256 of what it was computed from
            version TEXT NOT NULL,        -- of the program, with a digest of its source
            state TEXT NOT NULL CHECK (state IN ('done', 'bad', 'fault')),
            error_what TEXT, error_where TEXT, error_fix TEXT,
            title TEXT,
            date TEXT,                    -- ISO 8601
            rider_id TEXT, bike_id TEXT, power_meter_id TEXT,
            protocol TEXT, course_kind TEXT, course_length_m REAL,
            air_density_kg_m3 REAL,
            mean_headwind_m_s REAL,       -- above zero slows the rider
            runs_used INTEGER, runs_left_out INTEGER,
            run_to_run_sd_m2 REAL, leg_sd_m2 REAL
        ) WITHOUT ROWID
        """,
        """
        CREATE TABLE position (
            folder TEXT NOT NULL REFERENCES test (folder) ON DELETE CASCADE,
            position TEXT NOT NULL,
            number INTEGER NOT NULL,      -- order in the test's file, from 0
            label TEXT,
            is_reference INTEGER NOT NULL,
            runs INTEGER, legs INTEGER,
            cda_m2 REAL NOT NULL,         -- without the turning wheels
            cda_with_wheels_m2 REAL,
            se_m2 REAL, statistical_se_m2 REAL, statistical_dof REAL,
            systematic_se_m2 REAL, dof REAL,
            comfort REAL, hold_share REAL,
            PRIMARY KEY (folder, position)
        ) WITHOUT ROWID
        """,
        """
        CREATE TABLE difference (
            folder TEXT NOT NULL REFERENCES test (folder) ON DELETE CASCADE,
            position TEXT NOT NULL,
            reference TEXT NOT NULL,
            number INTEGER NOT NULL,
            delta_cda_m2 REAL NOT NULL,   -- position minus reference
            se_m2 REAL, dof REAL, statistical_se_m2 REAL, systematic_se_m2 REAL,
            statistical_covariance_m4 REAL,
            adjusted_p REAL, probability_lower_drag REAL,
            PRIMARY KEY (folder, position, reference)
        ) WITHOUT ROWID
        """,
        """
        CREATE TABLE finding (
            folder TEXT NOT NULL REFERENCES test (folder) ON DELETE CASCADE,
            number INTEGER NOT NULL,
            severity TEXT NOT NULL, code TEXT NOT NULL,
            place TEXT, message TEXT, fix TEXT,
            PRIMARY KEY (folder, number)
        ) WITHOUT ROWID
        """,
    ),
    (  # 2: the same ride in two folders counts once
        """
        CREATE TABLE ride (
            folder TEXT NOT NULL REFERENCES test (folder) ON DELETE CASCADE,
            ride TEXT NOT NULL,           -- SHA-256 of the recording, and the stretch in it [s]
            PRIMARY KEY (folder, ride)
        ) WITHOUT ROWID
        """,
        "UPDATE test SET fingerprint = NULL",  # computed again, so that their rides are known
        "CREATE INDEX test_by_rider ON test (rider_id, date)",
        "CREATE INDEX position_by_name ON position (position)",
    ),
)
