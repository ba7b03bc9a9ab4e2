"""``rhizoledger treat``: the right amounts on the right seed, and how evenly they lie."""

from rhizoledger.cli.parsing import new_app
from rhizoledger.cli.treat.calibrate import calibrate
from rhizoledger.cli.treat.evenness import evenness
from rhizoledger.cli.treat.order import order
from rhizoledger.cli.treat.rate import rate

app = new_app("treat", "Turn rates into amounts, set pumps by catch tests, and judge evenness.")
app.command(rate)
app.command(calibrate)
app.command(evenness)
app.command(order)
