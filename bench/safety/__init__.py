"""Power off whatever happens: the watchdog, its processes, signals, precedence."""
