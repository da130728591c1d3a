"""Button, lamp and buzzer on a Raspberry Pi's pins: nothing is loaded unless a pin is set."""
