"""A report's two files, each whole or absent."""

from __future__ import annotations

from pathlib import Path

from cgrisk.errors import ComputationError, RunFolderError
from cgrisk.report.dossier.html_page import html_page
from cgrisk.report.dossier.parts import Dossier
from cgrisk.report.dossier.pdf_page import pdf_page
from cgrisk.runs.files import try_writing, write_refusal, write_whole

__all__ = ["check_place", "publish_report"]


def check_place(folder: Path) -> None:
    """Check that a report can be written into a folder.

    Raises
    ------
    RunFolderError
        If not.
    """
    try:
        try_writing(folder / "report.html")
    except (OSError, ValueError) as error:
        raise _unwritable(folder, error) from error


def _unwritable(folder: Path, error: OSError | ValueError) -> RunFolderError:
    reason, cure = write_refusal(error) if isinstance(error, OSError) else (error, "Mend that")
    return RunFolderError(
        f"{folder}: expected a folder that can be written; got: {reason}. {cure}, or name another "
        "with --out."
    )


def publish_report(folder: Path, *, dossier: Dossier, with_pdf: bool = True) -> dict[str, Path]:
    """Write report.html, and report.pdf unless it is not wanted; return the paths by kind.

    Parameters
    ----------
    folder : Path
        Made where it is not there.
    dossier : Dossier
        From :func:`cgrisk.report.dossier.make_dossier`.
    with_pdf : bool

    Raises
    ------
    RunFolderError
        If the folder cannot be written.
    ComputationError
        If the PDF cannot be set, or not without warnings.
    """
    contents = {"html": html_page(dossier).encode()}
    if with_pdf:
        contents["pdf"], warnings = pdf_page(dossier)
        if warnings:
            raise ComputationError(
                f"the PDF was set with warnings ({'; '.join(warnings)}). Write the page alone with "
                "--html-only, and report this."
            )
    written = {}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for kind, content in contents.items():
            written[kind] = folder / f"report.{kind}"
            write_whole(written[kind], content)
    except OSError as error:
        raise _unwritable(folder, error) from error
    return written
