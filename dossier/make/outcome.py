"""What a run comes to: an exit code, and lines that a person can act on."""

from dossier.case.problems import CaseError
from dossier.words.terminal_safe import shown

DONE, OTHERWISE, WRONG_INPUT, OUR_BUG = 0, 1, 2, 70
DEBUG = "--debug"
MOST_LINES = 200
"""Problems that are printed; a person corrects the first ones first."""


def decided(decision: str) -> int:
    """Return the exit code of a decision."""
    return DONE if decision == "approved" else OTHERWISE


def explained(error: Exception, *, debug: bool) -> tuple[int, list[str]]:
    """Return the exit code of an error and what to print of it; `debug` adds the traceback."""
    if isinstance(error, CaseError):
        count = len(error.problems)
        head = f"{count} problem{'s' if count != 1 else ''}:"
        lines = [f"  {shown(problem)}" for problem in error.problems[:MOST_LINES]]
        more = [f"  and {count - MOST_LINES} more"] if count > MOST_LINES else []
        return WRONG_INPUT, [head, *lines, *more]
    if isinstance(error, OSError):
        return WRONG_INPUT, [shown(f"{error.filename or 'file'}: {error.strerror or error}")]
    if type(error).__name__ == "MissingLibraryError":  # by name: its module is slow to import
        return WRONG_INPUT, [shown(error)]
    import traceback

    lines = traceback.format_exception(error) if debug else []
    return OUR_BUG, [
        *"".join(lines).splitlines(),
        f"an error of this program, not of your case: {type(error).__name__}: {shown(error)} "
        f"(run again with 'dossier {DEBUG} ...' and report it)",
    ]
