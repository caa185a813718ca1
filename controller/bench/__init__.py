"""The simulated machine: physics, faults, its process and its gpiozero pin factory.

Modelled, with true figures that differ from the profile's by seeded amounts that only the bench knows:

- the header: reset pulls, boot configuration, who holds a pin, outputs that stay driven when their process dies;
- relays, the main relay in the pumps' feed among them: active level, operate and release time, sticking, slowness;
- a current switch in the feed, which closes at exactly 0.1 A of all pumps together, at once;
- electrics: supply voltage, source, feed and own wire resistance, brushed motors with inrush and steady current; all
  running pumps slow each other down;
- pumps: run-up, coast, rollers' pulsation with the rotor's angle kept from run to run, wear, scatter from run to run;
- hydraulics: suction lift, Hagen-Poiseuille loss and the vacuum's limit (a thick syrup starves), plug flow of slugs in
  every tube (filling, purging, rinsing, running dry), containers that run out, and level contacts;
- by request (`effects.py` has their names, the other modules their sources), each drawn and each by itself: motors
  that warm up as they run (`warming.py`), a new tube's set (`tube_set.py`), liquid that sinks back through a pump at
  rest where it stands above its container, gas out of carbonated liquids (`gas.py`), steps of the supply's voltage,
  the level that sinks as a container empties, liquids that take the room's temperature and their viscosity
  (`surroundings.py`), turbulent loss in the suction tube; and pumps that have run for long;
- small heads for tubes of less than 2.5 mm bore;
- funnel with film, hold-up, drain limit and rim; glass with brim, absent or lifted; tray; a person's scale with noise;
- where the profile has a scale, a load cell with its converter (`cell_truth.py` has the figures and their sources):
  white and low-frequency noise, the converter's filter and beat, creep, drift with time and temperature, non-linearity,
  vibration of running pumps; liquid in flight, the stream's momentum and the last drops (`platform.py`); hands, ice,
  knocks, a glass set down or lifted (`touches.py`). Each effect can be switched off (`cell_truth.CELL_EFFECTS`).

Not modelled: contact bounce and arcing; the sag that another pump's inrush causes during its tens of milliseconds
(below 0.01 mL); the computer's brown-out (its lowest voltage is reported); the temperature of densities and tubes
(20 C); a glass off the platform's centre, hysteresis of the load cell; pressure and slip on the delivery side; a tube
that collapses; a container above the outlet that siphons by itself (there is a fault for it); mixing where two liquids
meet in a tube; film left in tubes after purging; foam; ice that takes room or melts; waves and splashing; evaporation;
lateness of the operating system on a real board.
"""
