"""`python -m service_api.cli` is the command `fettlebook`."""

from service_api.cli import main

if __name__ == "__main__":
    main(prog_name="fettlebook")
