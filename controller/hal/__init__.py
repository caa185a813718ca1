"""The board: gpiozero devices behind one small protocol, claimed without a pulse."""
