"""What a job asks for next, in words that a page and a command line can show."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class NextStep:
    """One thing to do.

    Attributes
    ----------
    name
        Short and stable: what a command or a form names.
    words
        What the person does, in a sentence.
    about
        What it is about: a nest, a joint key, a code; empty where that is clear.
    blocked
        True where the steps after it cannot be done before it.
    """

    name: str
    words: str
    about: str = ""
    blocked: bool = False
