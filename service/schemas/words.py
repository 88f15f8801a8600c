"""What a field means, in which unit, with an example: one account for every field that bears the name.

A name of one Struct only is told as `Struct.field`, without Record, Change, Out or Request at the Struct's end.
"""

import re
from dataclasses import dataclass

KITS, DAYS, SHARE, MONEY = "kits", "days", "1", "currency of the database"
PER_YEAR, HOURS, VALVES, SECONDS = "kits a year", "hours", "valves", "seconds"
_ENDING = re.compile(r"(Record|Change|Out|Request)$")


@dataclass(frozen=True)
class Word:
    """A field, told in a sentence; `unit` is empty where what is told is no measure.

    What consists of fields of its own needs no example: theirs make one.
    """

    meaning: str
    example: object = None
    unit: str = ""

    def told(self, rule: str | None = None) -> str:
        """Tell meaning, unit, and what may stand there.

        Parameters
        ----------
        rule : str or None
            What may stand there, if the meaning doesn't say it.

        Returns
        -------
        str
            One line.
        """
        unit = f" [{self.unit}]" if self.unit else ""
        return f"{self.meaning}{unit}; {rule}" if rule else f"{self.meaning}{unit}"


def word_of(words: dict[str, Word], struct: str, field: str) -> Word:
    """Find the account of a field.

    Parameters
    ----------
    words : dict
        Accounts by field, or by Struct and field.
    struct : str
        Name of the Struct.
    field : str
        Name of the field as sent.

    Returns
    -------
    Word
        That of the Struct if there is one, else the common one.

    Raises
    ------
    LookupError
        If neither is told.

    Examples
    --------
    >>> words = {"qty": Word("How many", 2, KITS), "KitPart.qty": Word("How many in a kit", 5, "parts")}
    >>> word_of(words, "KitPartRecord", "qty").told()
    'How many in a kit [parts]'
    >>> word_of(words, "LotOut", "qty").told("a whole number")
    'How many [kits]; a whole number'
    """
    for name in (f"{_ENDING.sub('', struct)}.{field}", field):
        if name in words:
            return words[name]
    raise LookupError(f"{field} of {struct} is told nowhere in service/schemas/words_of_*.py")
