"""What has to be true before the first pulse, asked one by one; and what to keep in mind all the while."""

from __future__ import annotations

from dataclasses import dataclass

from barbox.errors import AnswerNo, UserError


@dataclass(frozen=True)
class Question:
    """`key`: its name in the record. `if_no`: what to do about it."""

    key: str
    text: str
    if_no: str


QUESTIONS = (
    Question("tied", "Is the vehicle tied fore and aft to something heavy, each rope good for twice the thrust of "
                     "all fans?",
             "tie it down first"),
    Question("guards", "Are guards on, rotors free and undamaged, and inlets and outlets clear of anything that "
                       "could be drawn in or "
             "blown away?", "clear them and fit the guards first"),
    Question("clear", "Is everybody clear of the plane of the rotors and of the jets, and can nobody walk in?",
             "clear the place first"),
    Question("covered", "Are eyes and ears covered, and hair, cords and sleeves tied "
                        "away?", "cover and tie them first"),
    Question("fire", "Do the packs stand where a fire would harm nothing, with an extinguisher and sand at hand?",
             "move them and fetch it first"),
    Question("stop", "Does one person do nothing but hold the stop loop, and has the stop been tried with the fans "
                     "still?",
             "find a helper and try the stop first"),
    Question("plugs", "Can the packs be unplugged from outside the jets?", "lead the plugs out first"),
)  # fmt: skip

CAUTIONS = (
    "A ducted fan at full thrust takes fingers, and a rotor that bursts leaves in its own plane. Stand fore or aft, "
    "never beside.",
    "The software's stops are no substitute for the loop that breaks the ESC signals, nor for the plug.",
    "A pack that is hot, swollen or hissing: let go, unplug if that is safe, leave, call for help.",
    "Local law and the makers' instructions come first; where they differ from this, follow them. If in doubt, ask "
    "someone who is qualified for such machines and batteries.",
)

_YES, _NO = {"y", "yes"}, {"n", "no"}


def yes(typed: str) -> bool:
    """A typed yes or no. Raises UserError for anything else: silence is no consent."""
    word = typed.strip().lower()
    if word in _YES or word in _NO:
        return word in _YES
    raise UserError(f'"{typed.strip()}" is neither yes nor no: write one of them')


def refusal(q: Question) -> AnswerNo:
    """What a no to a question comes to, in one sentence."""
    return AnswerNo(f"no pulse before this is so: {q.text} If not, {q.if_no}")
