"""Data that travels with the package: `protocols/` of the checkout lies here in the wheel."""

from __future__ import annotations

from pathlib import Path


def data_folder(name: str) -> Path:
    """Return the folder of that name, whether installed from the wheel or run from a checkout.

    Parameters
    ----------
    name : str
        `protocols`.

    Raises
    ------
    FileNotFoundError
        If the installation is incomplete.
    """
    here = Path(__file__).resolve().parent
    for candidate in (here / name, here.parents[1] / name):
        if candidate.is_dir():
            return candidate
    raise FileNotFoundError(f"the folder {name} is missing from this installation")
