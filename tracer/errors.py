"""Errors of the tracer package.

TracerError
├── PathError (ValueError)          path data that cannot be read or is no closed path
├── NothingFoundError               a sheet on which there is nothing to trace
├── CorrectionError (ValueError)    a change by hand that cannot be made
├── EngineError                     a tracing engine that is asked for and not installed
├── JobError                        a job folder that cannot be read or written
├── CutListError (ValueError)       a cut list that cannot be carried out
├── LayError (ValueError)           a lay that cannot be planned
└── FileFormatError                 an output that cannot be written or a file that cannot be measured

Every message is one line: what was seen, what was needed, what to do next.
"""

from __future__ import annotations


class TracerError(Exception):
    """Root of all errors raised on purpose by this package."""


class PathError(TracerError, ValueError):
    """Path data that cannot be read, or geometry that is no valid closed path."""


class NothingFoundError(TracerError):
    """A sheet holds no pattern piece."""


class EngineError(TracerError):
    """A tracing engine was asked for that is not installed."""


class JobError(TracerError):
    """A job folder, or a file in it, cannot be read or written."""


class CorrectionError(TracerError, ValueError):
    """A change by hand cannot be made as asked."""


class CutListError(TracerError, ValueError):
    """A cut list cannot be read or carried out."""


class LayError(TracerError, ValueError):
    """A lay cannot be planned as asked."""


class FileFormatError(TracerError):
    """An output file cannot be written, or a given file cannot be measured."""
