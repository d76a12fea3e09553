"""What is said to people: English text that keeps its form and what fills it, for translators."""

from collections.abc import Iterable


class Said(str):
    """A text that is English wherever it is read, and remembers how it was made."""

    __slots__ = ("form", "values")

    form: str
    """The text with named holes, as in ``str.format``: what a translation is looked up by."""
    values: dict[str, object]
    """What stands in the holes; a said text among them is translated in turn."""

    def __str__(self) -> str:
        """Stay what it is, so that the text of an error can be translated as well."""
        return self

    def __reduce__(self) -> tuple[object, ...]:
        return _restored, (self.form, self.values)


def say(form: str, /, **values: object) -> str:
    """Say a form with its holes filled.

    Parameters
    ----------
    form
        English, written as a literal where ``pybabel`` shall find it. Braces stand for holes only
        where there are values; a said text without values is said again.
    values
        What a person typed stays as it was typed: give it as a plain text.
    """
    if isinstance(form, Said) and not values:
        return form
    return _restored(form, values)


def _restored(form: str, values: dict[str, object]) -> Said:
    text = Said(form.format(**values) if values else form)
    text.form, text.values = form, values
    return text


def join(texts: Iterable[str], between: str = " ") -> str:
    """Say one text after another; what stands between them may be a said text as well."""
    values = {f"text_{place}": text for place, text in enumerate(texts)}
    form = "{between}".join(f"{{{name}}}" for name in values)
    return say(form, between=between, **values)
