"""Orders on record: what a power cut may take, and what it may not."""

from msgspec.structs import replace

from controller.ledger.orders import Drink, Guest, Order
from controller.ledger.store import Ledger
from controller.model.orders import OrderState
from controller.model.requests import PourRequest

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
