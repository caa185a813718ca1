"""The file of trials that were run and weighed earlier."""

import csv
from pathlib import Path

from controller.cli.options import decimal
from controller.errors import BadQuantity, FileProblems, Problem
from controller.model.requests import WeighedTrial


def read_trials(path: Path) -> tuple[WeighedTrial, ...]:
    """The rows of a .csv file with the columns on_s and grams, separated by "," or ";".

    Raises FileProblems with every problem.
    """
    problems: list[Problem] = []

    def note(line: int, text: str) -> None:
        problems.append(Problem(file=str(path), line=line, column=1, text=text))

    found: list[WeighedTrial] = []
    with path.open(newline="", encoding="utf-8-sig") as file:
        separator = ";" if ";" in file.readline() else ","
        file.seek(0)
        rows = csv.DictReader(file, skipinitialspace=True, delimiter=separator)
        if rows.fieldnames is None or set(rows.fieldnames) != {"on_s", "grams"}:
            note(1, 'the first row must be "on_s,grams", or "on_s;grams" where decimals have a comma.')
            raise FileProblems(problems)
        for row in rows:
            on_s, grams = _number(row["on_s"]), _number(row["grams"])
            if len(row) > 2 and separator == ",":
                note(rows.line_num, 'more than two numbers. Write decimals with a point, or separate the two by ";".')
            elif on_s is None or grams is None or len(row) > 2:
                note(rows.line_num, f'not two numbers, seconds and grams, such as "8{separator}18.42".')
            else:
                found.append(WeighedTrial(on_s=on_s, grams=grams))
    if not found and not problems:
        note(1, "there are no trials in it.")
    if problems:
        raise FileProblems(problems)
    return tuple(found)


def _number(text: str | None) -> float | None:
    """A finite number from 0 on; None for anything else."""
    try:
        value = decimal(text or "")
    except BadQuantity:
        return None
    return value if value >= 0 else None
