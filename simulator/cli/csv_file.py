"""One table as one CSV file: refused before any work is done when it cannot be written, and whole or not there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from simulator.cli.shared import refuse_impossible
from simulator.errors import InputError


def check_csv(path: Path | None) -> None:
    """Refuse a file that cannot be written.

    Raises
    ------
    InputError
        It is a folder or a name that cannot be, or its folder cannot be written.
    """
    if path is None:
        return
    from simulator.record import check_folder

    refuse_impossible(path, "give --csv another name")
    if path.is_dir():
        raise InputError(f"{path}: this is a folder; give --csv the name of a file")
    check_folder(path.parent)


def write_csv(path: Path, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write one line a row, the keys of the first as its head; what is not known stays empty."""
    import pandas as pd

    from simulator.record import write_files

    write_files(path.parent, {path.name: pd.DataFrame(list(rows)).to_csv(index=False, lineterminator="\n")})
