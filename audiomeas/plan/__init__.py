"""Plan files, limits, verdicts, running a plan, running a stack."""
