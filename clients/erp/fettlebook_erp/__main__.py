"""`python -m fettlebook_erp` is the command `fettlebook-erp`."""

from fettlebook_erp.cli import main

main(prog_name="fettlebook-erp")
