"""`tundish stock` and `assign`: what is asked of the engine, and what is refused."""


def test_what_the_stock_has_is_confirmed_line_by_line_and_once_each(tundish, engine):
    for line, liquid in ((2, "blackcurrant cordial"), (6, "soda")):
        engine.answers["POST", f"stock/{line}/confirm"] = 200, container(line, liquid)
    shown = tundish("stock", "confirm", "6", "2", "6")
    assert shown.exit_code == 0, shown.stderr
    assert [(method, address) for method, address, _ in engine.asked] == [
        ("POST", "stock/6/confirm"), ("POST", "stock/2/confirm"),
    ]  # fmt: skip
    assert shown.output.index("soda") < shown.output.index("blackcurrant cordial")


def test_a_line_that_cannot_be_confirmed_is_1_and_says_why(tundish, engine):
    refusal = {"request": "", "rule": "stock", "reason": "nothing hangs on line 3.", "remedy": "tundish assign 3"}
    problem = {"type": "/v1/problems/refused", "title": "refused", "detail": "so.", "refusals": [refusal]}
    engine.answers["POST", "stock/3/confirm"] = 409, problem
    shown = tundish("stock", "confirm", "3")
    assert shown.exit_code == 1
    assert "nothing hangs on line 3" in shown.stderr


def container(line, liquid):
    return {
        "line": line, "liquid": liquid, "container_ml": 700.0, "remaining_ml": 650.0, "u_ml": 5.0, "sure_ml": 641.0,
        "perhaps_more_ml": 0.0, "opened_wall_s": 1.7e9, "keeps_until_wall_s": None, "tare_g": None,
        "is_known_to_guard": True,
    }  # fmt: skip


def test_assign_reads_a_volume_with_its_unit(tundish, engine):
    engine.answers["PUT", "lines/3"] = 204, None
    assert tundish("assign", "3", "ginger syrup", "0.7 L").exit_code == 0
    hung = {"line": 3, "liquid": "ginger syrup", "container_ml": 700.0, "opened_ago_s": 0.0}
    assert engine.bodies("lines/3") == [hung]
    bare = tundish("assign", "3", "ginger syrup", "700")
    assert bare.exit_code == 2
    assert "has no unit" in bare.stderr
