//! Runs a plan on a bench: stages, dispatcher, shutdown.
