"""Find the traps that maintenance records carry, T1 to T20."""

from kit.findings.traps.register import TRAP_COLUMNS, TRAPS, Trap, find_traps

__all__ = ["TRAPS", "TRAP_COLUMNS", "Trap", "find_traps"]
