"""The session folder: tables, sweeps, traces, log."""
