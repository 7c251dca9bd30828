"""What the window says about the custodian's lock and about people."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

UNLOCK: Final = "The custodian's passphrase"
FIRST: Final = "Set the custodian's passphrase"
NAME: Final = "Name the first custodian"
LOST: Final = "A lost passphrase is replaced"
CHANGE: Final = "Change the passphrase"

ABOUT: Final = {
    "unlock": "Needed {what_for}. The lock stays open while it is used; after {minutes} minutes without use it "
    "closes by itself.",
    "first": "Needed {what_for}. No passphrase was set yet: set it now, then remember it. "
    "It is kept nowhere; only what it can be checked by lies in the records.",
    "name": "Needed {what_for}. These records have no custodian yet. The custodian answers for references, "
    "procedures, people, and for what is declared void. Whoever is named first may name others later; the records "
    "tell.",
    "lost": "Replace it before a second person of this workshop and say why. "
    "Who, before whom and why stays in the records for ever, for everybody to see. The second person is only named: "
    "this keeps nobody out who would give a false name.",
    "change": "The old one, then the new one twice.",
}
MAIN: Final = {
    "unlock": "Unlock",
    "first": "Set and unlock",
    "name": "Name and unlock",
    "lost": "Replace and unlock",
    "change": "Change",
}
TITLES: Final = {"unlock": UNLOCK, "first": FIRST, "name": NAME, "lost": LOST, "change": CHANGE}

CUSTODIAN: Final = "Custodian"
PASSPHRASE: Final = "Passphrase"
OLD: Final = "Old passphrase"
NEW: Final = "New passphrase"
AGAIN: Final = "The same again"
WITNESS: Final = "Second person"
PICK: Final = "pick a name"
PICK_WITNESS: Final = "Pick who is there with you."
NEW_WITNESS: Final = "There is nobody else yet: the second person is entered with this, and the records say so."
WHY: Final = "Why"
FIRST_NAME: Final = "Name or role"
CODE: Final = "Code of the badge"
CODE_HINT: Final = "What the scanner reads; may stay empty."
HOW_LONG: Final = "At least {shortest} characters; a few words are good."
FORGOTTEN: Final = "The passphrase is lost …"
BACK: Final = "Back"
CANCEL: Final = "Not now"
CHECKING: Final = "Checking …"

WRONG: Final = "That is not the passphrase. Nothing was done."
REPLACED: Final = " It was replaced as a lost one on {at} by {who} before {witness}: {why}."
NOT_THE_SAME: Final = "The two are not the same; type both again."
NO_RECORDS: Final = "The records are not open yet; the lock needs them."


def wait(seconds: float) -> str:
    """Sentence for attempts that come too soon."""
    left = max(1, round(seconds + 0.49))
    return f"Too many wrong passphrases. The next attempt is taken in {left} s."


UNLOCKED: Final = "unlocked"


def unlocked_tip(who: str, minutes: float) -> str:
    """What is said when the pointer is on it."""
    return f"Unlocked by {who}. Click to lock at once; without use it locks itself in {minutes:.0f} min."


LOCKED: Final = "Locked."
LOCKED_IDLE: Final = "Locked again: nothing was done under it for a while."

# --- people

PEOPLE: Final = "People"
NOBODY: Final = "Nobody is entered yet"
NOBODY_WHY: Final = (
    "Anybody can pull with just a name. Enter people to let them sign in by a scan of their badge and to review each "
    "other's runs. Begin with the custodian, who answers for references, procedures and people."
)
NO_CUSTODIAN: Final = "Nobody is custodian yet. Name the first one before calibrations are entered."
FOR_PEOPLE: Final = "to keep the people of this workshop"
ADD: Final = "Add a person"
KEEP: Final = "Keep"
MAKE: Final = "Make custodian"
UNMAKE: Final = "No custodian any more"
DEACTIVATE: Final = "Deactivate"
TAKE_BACK: Final = "Take back"
PASSPHRASE_WORDS: Final = {
    "passphrase set": "passphrase set by {who}",
    "lost passphrase replaced": "lost passphrase replaced by {who} before {witness}: {why}",
}
ACT_WORDS: Final = {
    "person added": "added",
    "person changed": "changed",
    "made custodian": "made custodian",
    "custodian no longer": "no custodian any more",
}


def person_act(act: str, by: str, before: Mapping[str, object], now: Mapping[str, object]) -> str:
    """What an entry says of a person, given what the entries before it told.

    >>> person_act("person changed", "custodian", {"active": True, "code": "P-13"}, {"active": False, "code": "P-13"})
    'deactivated by custodian'
    >>> person_act("person changed", "custodian", {"active": True, "code": ""}, {"active": True, "code": "P-13"})
    'changed by custodian: badge P-13'
    """
    said = ACT_WORDS[act]
    if act == "person changed" and "active" in before and "active" in now and before["active"] != now["active"]:
        said = "taken back" if now["active"] else "deactivated"
    if by:
        said = f"{said} by {by}"
    if "code" in now and now["code"] != before.get("code", ""):
        said += f": badge {now['code']}" if now["code"] else ": no badge any more"
    return said
