"""Running the command as ``python -m geosite_cli``."""

from geosite_cli.start import main

if __name__ == "__main__":
    main()
