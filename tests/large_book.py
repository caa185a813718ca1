"""A book with many recipes, half of which need a liquid that hangs on no line."""

HUNG = ("apple juice", "blackcurrant cordial", "ginger syrup", "lime cordial", "cold tea", "soda")
ABSENT = ("perry", "sloe gin")


def large_book(recipes: int) -> str:
    """The text of a book of so many recipes for a machine of six lines."""
    liquids = "".join(f"  - {{liquid: {name}, brix: {brix} %}}\n" for brix, name in enumerate(HUNG + ABSENT, start=1))
    hung = enumerate(HUNG, start=1)
    lines = "".join(f"  - {{line: {line}, liquid: {name}, container: 2 L}}\n" for line, name in hung)
    return (
        f"title: a large book\nliquids:\n{liquids}glasses:\n  - {{glass: tumbler, brim: 300 mL, usable: 250 mL}}\n"
        f"lines:\n{lines}recipes:\n{''.join(map(_recipe, range(recipes)))}"
    )


def _recipe(number: int) -> str:
    first = HUNG[number % 6]
    second = HUNG[(number + 1) % 6] if number % 2 else ABSENT[number // 2 % 2]
    return (
        f"  - recipe: Orchard Drink {number}\n    glass: tumbler\n    phases:\n      - doses:\n"
        f"          - {{liquid: {first}, volume: {60 + number % 40} mL}}\n"
        f"          - {{liquid: {second}, volume: 30 mL}}\n"
    )
