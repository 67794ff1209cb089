"""The live bench page: what `measure` asks and sees, in a browser on this machine, for hands that are busy."""
