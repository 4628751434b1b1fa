"""The pod's plan: parts, terminals and wires as data, checked, and drawn into the pages."""
