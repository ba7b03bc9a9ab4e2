"""``rhizoledger count``: from plates, tubes and test plants to live cells with honest limits."""

from rhizoledger.cli.count.guarantee import guarantee
from rhizoledger.cli.count.infection import infection, infection_plan
from rhizoledger.cli.count.mpn import mpn, mpn_table
from rhizoledger.cli.count.plan import plan
from rhizoledger.cli.count.plates import plates
from rhizoledger.cli.parsing import new_app

app = new_app("count", "Count live cells: plates, tubes, test plants, and what a lot must hold.")
app.command(plates)
app.command(infection)
app.command(infection_plan)
app.command(guarantee)
app.command(plan)
app.command(mpn)
app.command(mpn_table)
