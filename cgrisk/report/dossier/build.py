"""The report put together, in the order in which it is read."""

from __future__ import annotations

import zipfile
from typing import Final

from cgrisk.errors import RunFolderError
from cgrisk.report.dossier.buffer_section import buffers_section
from cgrisk.report.dossier.case_sections import case_section, cautions_section
from cgrisk.report.dossier.cause_sections import causes_section, tail_section
from cgrisk.report.dossier.decision_sections import (
    loads_section,
    policies_section,
    restriction_section,
    zones_section,
)
from cgrisk.report.dossier.findings import Findings
from cgrisk.report.dossier.front import first_half_page
from cgrisk.report.dossier.method_sections import (
    alternatives_section,
    convergence_section,
    manifest_section,
    method_section,
    missing_section,
)
from cgrisk.report.dossier.parts import Dossier, sections_of
from cgrisk.report.dossier.register_section import register_section
from cgrisk.report.dossier.run_sections import cabin_section, entry_section, results_section
from cgrisk.report.dossier.trim_section import trim_section
from cgrisk.sampling.packing import ChangedContentError

__all__ = ["make_dossier"]

#: What files bring about that have the right hashes and another content than they should.
_NOT_AS_WRITTEN: Final = (
    ChangedContentError,
    ArithmeticError,
    AttributeError,
    LookupError,
    TypeError,
    ValueError,
    zipfile.BadZipFile,
)


def make_dossier(findings: Findings) -> Dossier:
    """Return the report of a run and of the results beside it, as plain parts.

    Parameters
    ----------
    findings : Findings
        From :func:`cgrisk.report.dossier.findings.read_findings`.

    Raises
    ------
    RunFolderError
        If the files have their hashes and all the same are not of the form in which they are
        written.
    """
    try:
        return _put_together(findings)
    except _NOT_AS_WRITTEN as error:
        reason = (str(error).splitlines() or ["no reason given"])[0][:120]
        raise RunFolderError(
            f"{findings.run.folder}: expected blocks and tables of the form in which cgrisk "
            f"writes them, here and in the results beside; got others ({type(error).__name__}: "
            f"{reason}). Repeat the commands that made them; if that does not help, it is a fault "
            "of cgrisk: please report it."
        ) from error


def _put_together(findings: Findings) -> Dossier:
    scenario = findings.run.model.scenario
    front, numbers = first_half_page(findings)
    return Dossier(
        title=f"CG risk: {scenario.operation.name}",
        subtitle=f"{scenario.aircraft.name}; {findings.run.manifest.flown:,} simulated flights, "
        f"seed {findings.run.inputs.seed}",
        date=findings.run.manifest.created,
        front=front,
        sections=sections_of(
            cautions_section(findings),
            case_section(findings),
            results_section(findings),
            cabin_section(findings),
            trim_section(findings),
            entry_section(findings),
            tail_section(findings),
            buffers_section(findings),
            zones_section(findings),
            policies_section(findings),
            restriction_section(findings),
            loads_section(findings),
            causes_section(findings),
            convergence_section(findings),
            register_section(findings),
            method_section(),
            alternatives_section(findings),
            manifest_section(findings),
            missing_section(findings),
        ),
        numbers=numbers,
    )
