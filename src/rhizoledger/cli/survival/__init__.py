"""``rhizoledger survival``: how live cells die, how long a lot may wait, and what a record says."""

from rhizoledger.cli.parsing import new_app
from rhizoledger.cli.survival.exposure import exposure
from rhizoledger.cli.survival.fit import fit
from rhizoledger.cli.survival.scorecard import scorecard
from rhizoledger.cli.survival.sun import sun
from rhizoledger.cli.survival.what_if import what_if
from rhizoledger.cli.survival.window import window

app = new_app("survival", "Fit die-off curves, state windows, and read temperature records.")
app.command(fit)
app.command(what_if)
app.command(sun)
app.command(window)
app.command(exposure)
app.command(scorecard)
