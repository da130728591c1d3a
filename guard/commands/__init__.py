"""One module a command: `run(args) -> int`; its options stand in `commands.toml`."""
