"""From the experiment to readings, as functions of the parameters."""
