"""Background noise, and how well it leaves a level known."""
