"""From readings and phases to alarms and tasks, and from those to nudges that reach a person."""
