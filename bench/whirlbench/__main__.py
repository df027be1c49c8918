"""`python -m whirlbench`: the same as the command `whirlbench`."""

from __future__ import annotations

from whirlbench.cli.main import main

if __name__ == "__main__":  # a spawned session imports this file too, and must not run the command again
    main()
