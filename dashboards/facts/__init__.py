"""The facts that commands print with --json and the pages' API serves, built once for both; pure."""
