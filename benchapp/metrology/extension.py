"""A wrench with an extension in line with its handle: what to set so that the joint gets its torque."""

from __future__ import annotations

from benchapp.metrology.errors import RefusedError, positive


def setting_with_extension(torque: float, lever: float, extension: float) -> float:
    """Return what to set on the wrench, in the unit of `torque`.

    Args:
        torque: Wanted at the joint, > 0.
        lever: From the wrench's own drive axis to the middle of the grip, > 0.
        extension: Added in line by the adapter, same unit as `lever`; negative when it shortens; > −`lever`.

    Raises:
        RefusedError: An argument outside these limits.

    Source:
        T·L/(L + A): Army TM 1-1500-204-23-9, figure 8-16.

    >>> round(setting_with_extension(300, 10, 4), 3)
    214.286
    """
    positive("torque", torque)
    positive("lever", lever)
    if not lever + extension > 0:
        raise RefusedError("extension", extension, f"> {-lever:g} (minus the lever)", "a shorter way back")
    return torque * lever / (lever + extension)
