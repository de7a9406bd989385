"""What it means: uncertainty, verdicts, the lines of the plan."""
