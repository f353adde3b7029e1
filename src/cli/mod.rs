//! The command line: one file per subcommand; arguments, progress, exit codes, no logic.
