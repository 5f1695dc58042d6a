"""Findings: what is doubtful but not fatal, as coded entries that travel with a result."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["note", "warning"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something a person should know about a result.

    Parameters
    ----------
    code : str
        Short stable word with dashes, e.g. ``density-contradicted``; tests and callers match on it.
    message : str
        One plain sentence: what was seen, what it means, what would help.
    severity : {'note', 'warning'}
        A warning makes a command end with exit code 1; a note does not.
    where : str
        The sheet, piece or reference it is about; empty for the whole job.
    """

    code: str
    message: str
    severity: Severity = "warning"
    where: str = ""
