//! The safety supervisor: a pure interlock and what acts on it.
