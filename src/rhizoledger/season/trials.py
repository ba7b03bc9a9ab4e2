"""``trials/*``: harvest weights of strips, kept as they stand for the analysis of trials."""

from __future__ import annotations

from collections.abc import Mapping

from rhizoledger.season.findings import Findings, nearest
from rhizoledger.season.numerals import as_text
from rhizoledger.season.source import LARGEST_TABLE, Folder, parse_csv
from rhizoledger.season.tables import TRIAL_COLUMNS, TRIAL_RESULTS


def read_trials(folder: Folder, findings: Findings) -> dict[str, tuple[Mapping[str, str], ...]]:
    """Rows of every trial file as text, by file name; only headers are checked."""
    trials: dict[str, tuple[Mapping[str, str], ...]] = {}
    for name in folder.names("trials"):
        file = f"trials/{name}"
        if not name.endswith(".csv"):
            findings.warning(
                file, None, None, None, "This is not a CSV file; it is not read.", "Save it as CSV."
            )
            continue
        data = folder.read(file, LARGEST_TABLE)
        raw = None if data is None else parse_csv(data, file, findings)
        if raw is None:
            continue
        groups = [(column,) for column in TRIAL_COLUMNS] + [TRIAL_RESULTS]
        for group in groups:
            if not set(group) & set(raw.header):
                close = nearest(group[0], raw.header)
                findings.error(
                    file,
                    1,
                    group[0],
                    None,
                    f"The column {' or '.join(group)} is missing.",
                    f"Add it to the header. {close if close.startswith('Near') else ''}".rstrip(),
                )
        trials[name] = tuple(
            dict(zip(raw.header, map(as_text, cells), strict=True)) for _, cells in raw.rows
        )
    return trials
