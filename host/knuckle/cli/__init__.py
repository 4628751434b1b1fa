"""The command line: one file for each command, all listed in `knuckle.cli.app.COMMANDS`."""
