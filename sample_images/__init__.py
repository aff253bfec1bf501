"""Pictures of invented chips and the script that renders them: for the demo and regression tests, never evidence."""
