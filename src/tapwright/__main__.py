"""`python -m tapwright`: the command line."""

from tapwright.cli.main import entry

if __name__ == "__main__":
    entry()
