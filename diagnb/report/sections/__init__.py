"""The sections of a report, each a pure function from the matter of the report to blocks."""
