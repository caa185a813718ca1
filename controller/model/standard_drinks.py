"""Standard drinks: grams of ethanol that authorities count as one. Information, never permission: they set no cap.

Lists contradict each other (Germany 10 or 12 g, India 8 or 10 g, Canada 13.45 to 13.6 g): what counts is the notice
that your authority publishes. Sources, beside each country: A: Kalinowski & Humphreys, "Governmental standard drink
definitions and low-risk alcohol consumption guidelines in 37 countries", Addiction 111 (2016), as quoted by others.
M: from memory.
"""

from typing import Literal

StandardDrink = Literal[
    "Argentina", "Australia", "Austria", "Canada", "Chile", "Costa Rica", "Croatia", "Denmark", "Estonia", "Finland",
    "France", "Germany", "Hungary", "Iceland", "India", "Ireland", "Italy", "Japan", "Luxembourg", "Mexico",
    "Netherlands", "New Zealand", "Norway", "Poland", "Singapore", "South Africa", "Spain", "Sweden",
    "United Kingdom", "United States", "Vietnam", "WHO AUDIT",
]  # fmt: skip

ETHANOL_G_ML = 0.78924  # OIML R 22:1975 (erratum): 789.24 kg/m3 at 20 C

GRAMS: dict[StandardDrink, float] = {
    "Argentina": 14.0,  # A
    "Australia": 10.0,  # Australian guidelines: 10 g
    "Austria": 20.0,  # A
    "Canada": 341.0 * 0.05 * ETHANOL_G_ML,  # a bottle of 341 mL with 5 % vol: 13.46 g; 13.45 to 13.6 g are in print
    "Chile": 14.0,  # A
    "Costa Rica": 8.0,  # A
    "Croatia": 10.0,  # A
    "Denmark": 12.0,  # A
    "Estonia": 10.0,  # M
    "Finland": 12.0,  # M
    "France": 10.0,  # A
    "Germany": 10.0,  # A; 12 g is in use too
    "Hungary": 17.0,  # M
    "Iceland": 8.0,  # A
    "India": 10.0,  # A; 8 g in another list
    "Ireland": 10.0,  # A
    "Italy": 12.0,  # A
    "Japan": 20.0,  # A
    "Luxembourg": 12.8,  # A
    "Mexico": 13.0,  # A
    "Netherlands": 10.0,  # M
    "New Zealand": 10.0,  # alcohol.org.nz: litres x % vol x 0.789, that is 10 g
    "Norway": 12.0,  # M
    "Poland": 10.0,  # M
    "Singapore": 10.0,  # A
    "South Africa": 12.0,  # M
    "Spain": 10.0,  # M
    "Sweden": 12.0,  # M
    "United Kingdom": 10.0 * ETHANOL_G_ML,  # a unit is 10 mL of ethanol, rounded to 8 g elsewhere
    "United States": 14.0,  # NIAAA: 14 g, or 0.6 US fl oz
    "Vietnam": 10.0,  # A
    "WHO AUDIT": 10.0,  # the questionnaire's drink
}


def standard_drinks(ethanol_g: float, country: StandardDrink) -> float:
    """How many standard drinks of this country so many grams (>= 0) of ethanol are."""
    return ethanol_g / GRAMS[country]
