"""What is wrong with a run folder, told apart: what the user named, and what the disk refused."""

from __future__ import annotations

from cgrisk.errors import RunFolderError

__all__ = ["RunInputError", "disk_refused"]


class RunInputError(RunFolderError):
    """A run folder that was named cannot be taken: not there, in use, incomplete or changed."""

    exit_code = 2


def disk_refused(error: OSError, *, folder: object, doing: str) -> RunFolderError:
    """Return the error for a folder that the disk would not let be written or read.

    Parameters
    ----------
    error : OSError
        What the system said.
    folder : object
        Folder as the user named it.
    doing : str
        ``"written"`` or ``"read"``.
    """
    reason = error.strerror or str(error)
    cure = (
        "Free some space or choose another folder with --out; nothing was left under that name."
        if doing == "written"
        else "Check the folder's permissions and the disk."
    )
    return RunFolderError(f"{folder}: expected a folder that can be {doing}; got: {reason}. {cure}")
