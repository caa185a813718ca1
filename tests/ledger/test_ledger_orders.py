"""Orders and weighed servings on record: what a power cut may take, and what it may not."""

from msgspec.structs import replace

from controller.ledger.orders import Drink, Guest, Order
from controller.ledger.records import Intent
from controller.ledger.store import Ledger
from controller.model.learning import LearnedState
from controller.model.orders import OrderState
from controller.model.requests import PourRequest
from controller.model.states import OperationKind, Outcome
from controller.model.weighing import WeighedServing

PLACED = Order(
    seq=1,
    number=1,
    rank=1.0,
    state=OrderState.PLACED,
    request=PourRequest(recipe="Orchard Fizz"),
    drink=Drink(glass="tall glass", volume_ml=210.0, ethanol_g=0.0, seconds=40.0, doses_ml={"apple juice": 90.0}),
    needs_nod=False,
    placed_wall_s=1_789_000_000.0,
    guest=Guest(owner="anne", key="1", name="Robin", secret="of the phone"),
)


def cut(folder, name, *, log):
    """The files as a power cut leaves them when so much of the write-ahead log had reached the disk."""
    after = folder / name
    after.mkdir()
    for path in folder.glob("ledger.*"):
        (after / path.name).write_bytes(path.read_bytes())
    (after / "ledger.db-wal").write_bytes(log)
    return after / "ledger.db"


def test_a_change_that_did_not_wait_may_be_lost_and_is_no_damage(tmp_path):
    ledger = Ledger(tmp_path / "ledger.db")
    ledger.orders.place(PLACED)
    on_disk = (tmp_path / "ledger.db-wal").read_bytes()
    ledger.orders.save(replace(PLACED, state=OrderState.CALLED), lazily=True)
    lost = Ledger(cut(tmp_path, "lost", log=on_disk))
    assert (lost.damage, [one.state for one in lost.orders.open()]) == ((), [OrderState.PLACED])
    assert [one.state for one in ledger.orders.open()] == [OrderState.CALLED]
    lost.close()
    ledger.close()


def test_the_next_change_that_waits_takes_the_others_along(tmp_path):
    ledger = Ledger(tmp_path / "ledger.db")
    ledger.orders.place(PLACED)
    ledger.orders.save(replace(PLACED, state=OrderState.CALLED), lazily=True)
    ledger.orders.save(replace(PLACED, state=OrderState.WITHDRAWN))
    after = Ledger(cut(tmp_path, "after", log=(tmp_path / "ledger.db-wal").read_bytes()))
    assert (after.damage, [one.state for one in after.orders.over(9)]) == ((), [OrderState.WITHDRAWN])
    after.close()
    ledger.close()


def test_an_end_whose_weight_follows_goes_to_disk_with_that(tmp_path):
    ledger = Ledger(tmp_path / "ledger.db")
    ledger.begin(Intent(operation="a1", kind=OperationKind.SERVE, asked_wall_s=1000.0))
    on_disk = (tmp_path / "ledger.db-wal").read_bytes()
    ledger.end("a1", Outcome.DONE, "", [], wall_s=1010.0, lazily=True)
    lost = Ledger(cut(tmp_path, "lost", log=on_disk))
    assert (lost.damage, lost.open_operations()) == ((), ("a1",))  # the guard tells of the end again
    learned = LearnedState(at_wall_s=1013.0, lines=(), mean=(), covariance=b"")
    ledger.learned.add((), learned, lazily=True)
    ledger.weigh_serving("a1", WeighedServing(grams=95.0, volume_ml=95.0, asked_ml=95.0, u_ml=0.2), {})
    kept = Ledger(cut(tmp_path, "kept", log=(tmp_path / "ledger.db-wal").read_bytes()))
    assert (kept.damage, kept.open_operations(), kept.learned.state()) == ((), (), learned)
    for one in (lost, kept, ledger):
        one.close()
