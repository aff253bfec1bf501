"""Reports, labels and exports."""
