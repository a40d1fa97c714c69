"""`python -m drillgen` is the command `drillgen`."""

from drillgen.cli import main

main(prog_name="drillgen")
