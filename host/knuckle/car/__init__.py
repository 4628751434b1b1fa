"""The car file: how a car's owner describes it, read, checked, asked for and written."""
