"""The ports of this computer, and which profile fits what comes from one."""

from __future__ import annotations

import os
import sys
import time
from dataclasses import dataclass, replace
from typing import Final

from drivers.decoding import Decoder
from drivers.errors import UrlError
from drivers.framing import PRINTABLE
from drivers.profile import Profile, Profiles
from drivers.transport import OpenError, open_transport, parse_url

_ENOUGH_LINES: Final = 20
_ENOUGH_S: Final = 0.4
_FIRST_BYTES: Final = 4096


@dataclass(frozen=True, slots=True)
class PortInfo:
    """What is known of a port.

    Attributes:
        url: To open it with.
        description: As the system calls it; empty unknown.
        usb_vendor: USB vendor number; None when it is no USB device.
        usb_product: USB product number.
        serial_number: Of the USB device; empty unknown.
        location: Where it is plugged in; empty unknown.
        busy: Another program has it open, as far as can be told without opening it; None unknown.
        usable: This user may open it; None unknown.
    """

    url: str
    description: str = ""
    usb_vendor: int | None = None
    usb_product: int | None = None
    serial_number: str = ""
    location: str = ""
    busy: bool | None = None
    usable: bool | None = None


def list_ports() -> list[PortInfo]:
    """Serial ports that are there, USB ones first, then by name. Opens none of them.

    Ports of the mainboard that no hardware answers for are left out.
    """
    from serial.tools import list_ports as pyserial_ports  # slow to load; only needed here

    found = []
    busy = _ports_in_use()
    for port in pyserial_ports.comports():
        description = port.description if port.description not in (None, "n/a") else ""
        if port.vid is None and sys.platform.startswith("linux") and not _has_hardware(port.device):
            continue
        found.append(
            PortInfo(
                url=port.device,
                description=description,
                usb_vendor=port.vid,
                usb_product=port.pid,
                serial_number=port.serial_number or "",
                location=port.location or "",
                busy=port.device in busy if busy is not None else None,
                usable=os.access(port.device, os.R_OK | os.W_OK) if os.name == "posix" else None,
            )
        )
    return sorted(found, key=lambda port: (port.usb_vendor is None, port.url))


def _has_hardware(device: str) -> bool:
    """Linux lists 4 or 32 ttyS whether they exist or not; a type of 0 means that nothing is there."""
    try:
        with open(f"/sys/class/tty/{os.path.basename(device)}/type") as file:
            return file.read().strip() != "0"
    except OSError:
        return True


def _ports_in_use() -> set[str] | None:
    """Devices that processes we may look into hold open; None where that cannot be seen."""
    if not sys.platform.startswith("linux"):
        return None
    used = set()
    for process in os.listdir("/proc"):
        if not process.isdigit():
            continue
        try:
            for handle in os.listdir(f"/proc/{process}/fd"):
                target = os.readlink(f"/proc/{process}/fd/{handle}")
                if target.startswith("/dev/tty"):
                    used.add(target)
        except OSError:
            continue  # somebody else's, or it has just ended
    return used


@dataclass(frozen=True, slots=True)
class ProfileScore:
    """How well a profile fits what was heard.

    Attributes:
        profile: With the baud rate that was tried.
        score: Share of the lines understood, 0 to 1.
        n_lines: Lines heard.
        n_understood: Of these.
    """

    profile: Profile
    score: float
    n_lines: int
    n_understood: int


def find_profile(
    url: str, profiles: Profiles, seconds: float = 2.0, *, heard: list[bytes] | None = None
) -> list[ProfileScore]:
    """Listen to a port and say which profiles fit, best first; empty when none understood a line.

    Each baud rate and frame that a profile asks for is listened to for a share of `seconds`, and listening ends early
    when most lines make sense; a socket or a pty has no baud rate and is listened to once. What fits at another's rate
    is listened to at its own as well: many USB ports give the same at every rate. Of profiles that fit
    equally well the one that says more about a line (more groups) comes first: every line with a time and a value also
    begins with a bare number.

    Args:
        url: Of the port.
        profiles: The ones to try.
        seconds: In all.
        heard: Is given the first bytes that came at each rate, for `why_none_fits`.

    Raises:
        OpenError: The port cannot be opened; with a sentence for people.
        UrlError: The URL cannot be understood, or is a recording.
    """
    link = parse_url(url)
    if link.kind == "replay":
        raise UrlError(f"{url}: a recording says itself which profile it was made with")
    candidates = [profiles.get(name) for name in profiles.names]
    has_baud = _has_baud(link.kind, link.place)
    rates: dict[object, list[Profile]] = {}
    for profile in candidates:
        rates.setdefault(_frame(profile) if has_baud else None, []).append(profile)
    tried: set[object] = set()
    found: list[ProfileScore] = []
    for at_this_rate in rates.values():
        scores, first = _listen(url, at_this_rate[0], candidates, seconds / len(rates))
        tried.add(_frame(at_this_rate[0]))
        if heard is not None:
            heard.append(first)
        found += [
            replace(score, profile=replace(score.profile, serial=at_this_rate[0].serial)) if has_baud else score
            for score in scores
        ]
        if any(score.score > 0.9 and score.n_understood >= _ENOUGH_LINES for score in scores):
            break
    found.sort(key=lambda score: (-round(score.score, 1), -len(score.profile.pattern.groupindex)))
    own = profiles.get(found[0].profile.name) if has_baud and found else None
    if own is not None and _frame(own) not in tried:
        scores, _ = _listen(url, own, [own], seconds / len(rates))
        found[:0] = [score for score in scores if score.score > 0.9]
    return found


def _frame(profile: Profile) -> tuple[object, ...]:
    """What an UART has to be set to."""
    settings = profile.serial
    return settings.baud, settings.bytesize, settings.parity, settings.stopbits


def _has_baud(kind: str, place: str) -> bool:
    return kind == "port" and not os.path.realpath(place).startswith("/dev/pts/")


def why_none_fits(heard: list[bytes]) -> str:
    r"""Say in a sentence or two what came instead of lines that a profile describes, and what to do.

    >>> why_none_fits([b""])
    'Nothing came. Switch the transducer on and let it send.'
    >>> why_none_fits([b"W 12\r\nW 12.5 x\r\nW 1"])
    "Lines came that no profile describes, such as 'W 12.5 x'. Write a profile for them."
    """
    best = min((each for each in heard if each), key=_odd_share, default=b"")
    if not best:
        return "Nothing came. Switch the transducer on and let it send."
    if _odd_share(best) > 0.1:
        return (
            "What came is no text, as with a baud rate that no profile has. Set the transducer's rate to one of a "
            "profile's, or write a profile with its own."
        )
    lines = best.splitlines()
    if len(lines) < 2:
        return (
            f"Text came, but no line of it ended; it begins with {best[:40].decode('latin-1')!r}. Look at the device."
        )
    shown = max(lines[1:-1] or lines, key=len)[:40].decode("latin-1")
    return f"Lines came that no profile describes, such as {shown!r}. Write a profile for them."


def _odd_share(data: bytes) -> float:
    return len(data.translate(None, PRINTABLE)) / len(data)


def _listen(
    url: str, opened_as: Profile, candidates: list[Profile], seconds: float
) -> tuple[list[ProfileScore], bytes]:
    """What each candidate makes of what comes, and how that begins."""
    decoders = [Decoder(profile, drop_first=True) for profile in candidates]
    transport = open_transport(parse_url(url), opened_as)
    begin_s, first = time.monotonic(), b""
    try:
        while (left_s := begin_s + seconds - time.monotonic()) > 0:
            data, at_s = transport.read(left_s)
            first = (first + data)[:_FIRST_BYTES]
            for decoder in decoders:
                decoder.feed(data, at_s)
            if at_s - begin_s > _ENOUGH_S and any(
                decoder.counts.n_samples >= _ENOUGH_LINES and decoder.counts.n_refused == 0 for decoder in decoders
            ):
                break
    except OSError as error:
        raise OpenError(f"{url}: the connection was lost while listening ({error.strerror or error}).") from error
    finally:
        transport.close()
    scores = []
    for profile, decoder in zip(candidates, decoders, strict=True):
        counts = decoder.counts
        understood = counts.n_samples + counts.n_overloads + counts.n_replies
        if understood:
            scores.append(ProfileScore(profile, understood / counts.n_lines, counts.n_lines, understood))
    return scores, first
