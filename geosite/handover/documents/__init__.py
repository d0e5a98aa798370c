"""Papers beside the plan: findings in full, the take-off, the survey report."""
