"""How large the figures of a profile may be, how large they usually are, and why.

Outside the hard range a file is refused, outside the usual one `tundish check` warns. Where no source stands beside a
figure it is common practice for a machine of this size, no source.
"""

from typing import Annotated

from msgspec import Meta

from controller.model.fields import ranged

DAY_S = 86_400.0

# fmt: off
# --- the computer, the supply, the relays

LoadCurrent = Annotated[float, ranged("A", "0.7 A", above=True, high=10.0, usual=(0.1, 5.0),
    why="a small single-board computer draws no more")]
LampsCurrent = Annotated[float, ranged("A", "0.2 A", high=10.0, usual=(0.0, 3.0),
    why="lamps that draw more need a supply of their own")]
RatedCurrent = Annotated[float, ranged("A", "5 A", above=True, high=40.0, usual=(1.0, 20.0),
    why="wires, fuses and relay contacts of such a machine carry no more")]
CoilCurrent = Annotated[float, ranged("A", "72 mA", above=True, high=0.5, usual=(0.01, 0.15),
    why="the driver of a relay board switches no more")]
RelayTime = Annotated[float, ranged("s", "8 ms", high=0.05, usual=(0.0, 0.02),
    why="the contacts of a small relay move faster, and a stop waits for them")]
MainRelayTime = Annotated[float, ranged("s", "15 ms", high=0.1, usual=(0.0, 0.03),
    why="the contacts of a relay of 10 A move faster, and a stop waits for them")]

# --- pumps and the funnel

RunCurrent = Annotated[float, ranged("A", "0.55 A", above=True, high=10.0, usual=(0.05, 5.0),
    why="a relay contact of 10 A switches no larger motor")]
InrushCurrent = Annotated[float, ranged("A", "1.4 A", above=True, high=20.0, usual=(0.1, 10.0),
    why="relay contacts weld at more")]
InrushTime = Annotated[float, ranged("s", "90 ms", above=True, high=1.0, usual=(0.005, 0.3),
    why="a motor that takes longer to spin up is stalled")]
NominalFlow = Annotated[float, ranged("mL/s", "300 mL/min", above=True, high=50.0, usual=(0.2, 20.0),
    why="a faster pump fills a glass within the time that a hand needs to the stop button")]
MostFlow = Annotated[float, ranged("mL/s", "350 mL/min", above=True, high=100.0, usual=(0.2, 30.0),
    why="twice the fastest nominal flow: no pump exceeds its data sheet by more")]
CoastTime = Annotated[float, ranged("s", "60 ms", high=1.0, usual=(0.0, 0.3),
    why="the rollers on their tube stop a motor sooner")]
DrainFlow = Annotated[float, ranged("mL/s", "40 mL/s", above=True, high=200.0, usual=(5.0, 100.0),
    why="a funnel over a glass drains no faster")]
FunnelVolume = Annotated[float, ranged("mL", "120 mL", above=True, high=2000.0, usual=(20.0, 500.0),
    why="it hangs over one glass")]
SettleTime = Annotated[float, ranged("s", "1 s", high=30.0, usual=(0.0, 5.0),
    why="a funnel that takes longer to drain is blocked")]

# --- contacts. Channels go off at most 0.1 s after the stop contact opens: readings are at most 45 ms apart while
# anything moves (guard/contacts.py: MOST_PUT_OFF_S and CLEAR_S), and the debounce time comes on top.

StopDebounce = Annotated[float, ranged("s", "10 ms", high=0.05, usual=(0.0, 0.03),
    why="after a stop the channels go off within 0.1 s, and up to 45 ms of that pass between two readings")]
HoldDebounce = Annotated[float, ranged("s", "50 ms", high=0.3, usual=(0.005, 0.1),
    why="for so long the pumps go on after the glass was lifted, or whatever else holds them")]
TrayDebounce = Annotated[float, ranged("s", "0.2 s", high=5.0, usual=(0.005, 2.0),
    why="until then a full tray goes unnoticed")]
LevelDebounce = Annotated[float, ranged("s", "0.2 s", high=10.0, usual=(0.005, 2.0),
    why="until then the pump draws air from an empty container")]
ButtonDebounce = Annotated[float, ranged("s", "30 ms", high=0.2, usual=(0.005, 0.1),
    why="a short press must last longer to count")]
CurrentDebounce = Annotated[float, ranged("s", "20 ms", high=0.1, usual=(0.005, 0.05),
    why="until then a channel that disobeys goes unnoticed")]

# --- caps

ServingVolume = Annotated[float, ranged("mL", "350 mL", above=True, high=2000.0, usual=(20.0, 1000.0),
    why="no glass holds more")]
ServingTime = Annotated[float, ranged("s", "60 s", above=True, high=600.0, usual=(10.0, 180.0),
    why="somebody stands by and watches for as long")]
RunTime = Annotated[float, ranged("s", "60 s", above=True, high=600.0, usual=(5.0, 180.0),
    why="one run that nobody stops lasts so long")]
LineTime = Annotated[float, ranged("s", "90 s", above=True, high=1200.0, usual=(10.0, 300.0),
    why="one pump may empty its container for as long in one operation")]
OperationTime = Annotated[float, ranged("s", "10 min", above=True, high=3600.0, usual=(60.0, 1200.0),
    why="somebody stands by the jug for as long")]
DutyWindow = Annotated[float, ranged("s", "10 min", low=10.0, high=3600.0, usual=(120.0, 1800.0),
    why="a small motor warms up within minutes, and cools down within an hour")]
PumpsCurrent = Annotated[float, ranged("A", "3.4 A", above=True, high=40.0, usual=(0.2, 20.0),
    why="wires, fuses and relay contacts of such a machine carry no more")]
FunnelFlow = Annotated[float, ranged("mL/s", "35 mL/s", above=True, high=100.0, usual=(2.0, 60.0),
    why="a glass fills within the time that a hand needs to the stop button")]
StartGap = Annotated[float, ranged("s", "0.1 s", high=5.0, usual=(0.02, 1.0),
    why="two inrushes must not meet, and a drink must not wait for its starts")]
LineVolume = Annotated[float, ranged("mL", "150 mL", above=True, high=2000.0, usual=(20.0, 500.0),
    why="the jug under the outlet takes no more")]
JogTime = Annotated[float, ranged("s", "2 s", above=True, high=5.0, usual=(0.2, 3.0),
    why="nobody has confirmed anything under the outlet")]
ServingEthanol = Annotated[float, ranged("g", "20 g", above=True, high=60.0, usual=(1.0, 30.0),
    why="60 g at one occasion is heavy episodic drinking (World Health Organization; from memory)")]
HourServings = Annotated[int, Meta(ge=1, le=1000)]
Concurrent = Annotated[int, Meta(ge=1, le=64)]  # as many as there can be lines
HourEthanol = Annotated[float, ranged("g", "400 g", above=True, high=3000.0, usual=(10.0, 1000.0),
    why="more than that is a bar's business, with somebody who looks at each guest")]
ServingPause = Annotated[float, ranged("s", "2 s", high=600.0, usual=(1.0, 60.0),
    why="without a pause what still drips goes into the next glass, and a long one stops the queue")]
HeldTime = Annotated[float, ranged("s", "2 min", above=True, high=1800.0, usual=(10.0, 600.0),
    why="whoever comes back later does not know any more what was in the glass")]
HandStepTime = Annotated[float, ranged("s", "10 min", above=True, high=3600.0, usual=(30.0, 1200.0),
    why="a glass that stands half filled for longer is forgotten")]

# --- orders

CallTime = Annotated[float, ranged("s", "2 min", low=20.0, high=1800.0, usual=(45.0, 600.0),
    why="who does not come holds up everybody behind")]

# --- hygiene

ContactTime = Annotated[float, ranged("s", "20 min", low=1.0, high=DAY_S, usual=(300.0, 7200.0),
    why="a cleaner needs minutes, and attacks the tube over hours")]
CleaningInterval = Annotated[float, ranged("s", "14 days", low=3600.0, high=60 * DAY_S, usual=(DAY_S, 30 * DAY_S),
    why="biofilm grows within weeks")]
TeaInterval = Annotated[float, ranged("s", "24 h", low=3600.0, high=7 * DAY_S, usual=(3600.0, DAY_S),
    why="FDA Food Code 4-602.11(E) has iced tea dispensers cleaned every 24 h")]
PerishableInterval = Annotated[float, ranged("s", "4 h", low=600.0, high=DAY_S, usual=(600.0, 4 * 3600.0),
    why="FDA Food Code 4-602.11(C) has surfaces under perishable food cleaned every 4 h (from memory)")]
JugVolume = Annotated[float, ranged("mL", "2 L", low=100.0, high=20_000.0, usual=(300.0, 5000.0),
    why="a person lifts it full")]

# --- calibrations

LagBand = Annotated[float, ranged("s", "1 s", above=True, high=5.0, usual=(0.05, 1.0),
    why="a primed line delivers at once")]
CalibrationAge = Annotated[float, ranged("s", "30 days", low=3600.0, high=400 * DAY_S, usual=(DAY_S, 90 * DAY_S),
    why="tubes age within months, used or not")]
CalibrationVolume = Annotated[float, ranged("mL", "50 L", low=500.0, high=1_000_000.0, usual=(5000.0, 200_000.0),
    why="tubes wear with what they move")]
CalibrationRunning = Annotated[float, ranged("s", "10 h", low=600.0, high=1000 * 3600.0, usual=(3600.0, 100 * 3600.0),
    why="pump tubes last some hundred hours")]
SmallDose = Annotated[float, ranged("mL", "15 mL", above=True, high=100.0, usual=(5.0, 50.0),
    why="larger doses forgive what small ones do not")]
