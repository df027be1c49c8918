"""Work at a stand whose motor is not driven, or whose shaft is bare: port, guide at the terminal, throttle sweep."""
