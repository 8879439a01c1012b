"""The command line: every command's name, and its module. Those of the bench are here."""

COMMANDS = {
    "demo": "bench.commands.demo",
    "new": "bench.commands.new",
    "budget": "fit.commands.budget",
    "plan": "fit.commands.plan",
    "ports": "bench.commands.ports",
    "listen": "bench.commands.listen",
    "log": "bench.commands.log",
    "watch": "bench.commands.watch",
    "note": "fit.commands.note",
    "import": "fit.commands.import_file",
    "fit": "fit.commands.fit",
    "check": "fit.commands.check",
    "compare": "fit.commands.compare",
    "units": "fit.commands.units",
    "learn": "fit.commands.learn",
    "rate": "fit.commands.rate",
    "report": "fit.commands.report",
    "netlist": "fit.commands.netlist",
}
"""Command name to the module whose `command` function runs it: a new command is one line here."""
