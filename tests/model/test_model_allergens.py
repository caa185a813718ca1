"""The allergen groups are those of the regulation, no more and no fewer."""

from typing import get_args

from controller.model.book import Allergen

# Regulation (EU) No 1169/2011, Annex II, "Substances or products causing allergies or intolerances", points 1 to 14,
# and the word that stands for each.
ANNEX_II = {
    1: ("Cereals containing gluten, namely: wheat, rye, barley, oats, spelt, kamut", "gluten"),
    2: ("Crustaceans and products thereof", "crustaceans"),
    3: ("Eggs and products thereof", "eggs"),
    4: ("Fish and products thereof", "fish"),
    5: ("Peanuts and products thereof", "peanuts"),
    6: ("Soybeans and products thereof", "soybeans"),
    7: ("Milk and products thereof (including lactose)", "milk"),
    8: ("Nuts, namely: almonds, hazelnuts, walnuts, cashews, pecan, Brazil, pistachio, macadamia nuts", "nuts"),
    9: ("Celery and products thereof", "celery"),
    10: ("Mustard and products thereof", "mustard"),
    11: ("Sesame seeds and products thereof", "sesame"),
    12: ("Sulphur dioxide and sulphites at concentrations of more than 10 mg/kg or 10 mg/litre", "sulphites"),
    13: ("Lupin and products thereof", "lupin"),
    14: ("Molluscs and products thereof", "molluscs"),
}


def test_the_groups_are_those_of_annex_ii_in_its_order():
    assert len(ANNEX_II) == 14
    assert get_args(Allergen) == tuple(word for _, word in ANNEX_II.values())
    assert all(word.rstrip("s") in text.lower() for text, word in ANNEX_II.values())
