"""What a batch, a phase and a reading are; where they are kept; the service that ties all together."""
