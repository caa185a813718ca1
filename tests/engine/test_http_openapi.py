"""The description of the interface is true: it validates, it covers every address, and the addresses keep to it.

The requests are made by schemathesis from the description, half of them wrong, for a machine in virtual time.
"""

import inspect
import json
import sqlite3
from functools import partial

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openapi_spec_validator import OpenAPIV31SpecValidator
from schemathesis.checks import positive_data_acceptance
from schemathesis.generation import GenerationMode

from controller.engine.http.application import Api, application
from controller.engine.http.events import EventRing
from controller.engine.http.openapi import openapi, openapi_text, problems_of
from controller.engine.http.problems import PROBLEMS
from controller.engine.http.routes import ADDRESSES
from controller.model.calibration import Calibration
from controller.model.messages import TakeCalibration
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import prime_all
from tests.shipped import shipped

PROFILE, BOOK = shipped("bench_six_line", "orchard_fete")
EXAMPLES = 6  # of right and as many of wrong requests for each address
# A stream of events does not end, and has tests of its own.
FINITE = [one for one in ADDRESSES if one.media_type != "text/event-stream"]
# A path without numbers, no query and no body: nothing that the schema could call wrong.
CAN_BE_WRONG = [one for one in FINITE if one.takes or one.query or "{line}" in one.path or "{name}" in one.path]


def label(address):
    return f"{address.method} {address.path}"


def test_the_description_is_valid_openapi_3_1():
    assert list(OpenAPIV31SpecValidator(openapi()).iter_errors()) == []
    assert json.loads(openapi_text()) == openapi()


def test_every_address_has_a_row_that_answers_or_a_method():
    methods = {name for name, _ in inspect.getmembers(Api, inspect.isfunction) if not name.startswith("_")}
    assert {one.name for one in ADDRESSES if one.ask is None} == methods - {"answer"}


def test_every_problem_is_described_somewhere():
    assert {name for address in ADDRESSES for name in problems_of(address)} == set(PROBLEMS)


def test_only_these_are_open_to_guests():
    """What a guest may do is fixed by this list too, so that a slip in the table does not open more."""
    assert {label(one) for one in ADDRESSES if one.for_guests} == {
        "GET /v1/access",
        "GET /v1/menu",
        "GET /v1/operations/{operation}",  # that pours an own order
        "GET /v1/events",  # own orders and the queue
        "POST /v1/guests",
        "GET /v1/orders",  # own ones, here and below
        "POST /v1/orders",
        "GET /v1/orders/{order}",
        "GET /v1/orders/{order}/plan",
        "POST /v1/orders/{order}/agree",  # to what has changed of it
        "POST /v1/orders/{order}/withdraw",
        "POST /v1/orders/{order}/consent",  # where the profile allows it, by the order's secret
    }


@pytest.fixture(scope="module")
def machine():
    """Primed, calibrated, with a glass. The client calls from threads of its own, one at a time."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sqlite3, "connect", partial(sqlite3.connect, check_same_thread=False))
        made = VirtualMachine(PROFILE, BOOK, seed=3, poll_under_way_s=0.2)
    prime_all(made, tuple(line.line for line in PROFILE.lines))
    for one in made.plant.truth_report():
        known = {name: getattr(one, name) for name in ("line", "liquid", "flow_ml_s", "lag_s", "sag_per_a")}
        calibration = Calibration(**known, u_flow_ml_s=0.01, u_lag_s=0.01, cov_flow_lag=0.0)
        made.guard.handle("engine", TakeCalibration(calibration=calibration))
    made.plant.place_glass("tall glass")
    made.pass_time(3.0)
    yield made
    made.close()


@pytest.fixture(scope="module")
def described(machine):
    app = application(machine.engine, EventRing(machine.engine), lambda: machine.pass_time(60.0))
    return schemathesis.openapi.from_asgi("/v1/openapi.json", app)


KNOWN = {"recipe": [one.recipe for one in BOOK.recipes], "liquid": [one.liquid for one in BOOK.liquids]}


def with_real_names(case, number):
    """Which drinks, liquids, lines and operations there are no schema can tell: name real ones, mostly."""
    lines = [line.line for line in PROFILE.lines]
    for members in (case.body, case.query, case.path_parameters):
        if not isinstance(members, dict):
            continue
        for name, names in KNOWN.items():
            if name in members:
                members[name] = names[number % len(names)]
        if "line" in members:
            members["line"] = lines[number % len(lines)]
        if members.get("lines"):
            members["lines"] = [lines[number % len(lines)]]
        if "operation" in members and number % 3:
            members["operation"] = f"{number % 9 + 1:06d}"


@pytest.mark.parametrize("address", FINITE, ids=label)
def test_valid_requests_get_the_answers_that_the_description_promises(described, address):
    @settings(
        max_examples=EXAMPLES, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck)
    )
    @given(
        case=described[address.path][address.method].as_strategy(generation_mode=GenerationMode.POSITIVE),
        number=st.integers(0, 1000),
    )
    def ask(case, number):
        with_real_names(case, number)
        # Rules of the machine refuse what the schema allows, with 409 and 422.
        case.call_and_validate(excluded_checks=[positive_data_acceptance])

    ask()


@pytest.mark.parametrize("address", CAN_BE_WRONG, ids=label)
def test_invalid_requests_are_refused_as_described(described, address):
    @settings(
        max_examples=EXAMPLES, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck)
    )
    @given(case=described[address.path][address.method].as_strategy(generation_mode=GenerationMode.NEGATIVE))
    def ask(case):
        case.call_and_validate()

    ask()
