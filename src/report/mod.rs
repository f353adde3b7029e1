//! Reports: view model to HTML, plots, CSV and text. Renderers return strings and know no paths.
#![deny(clippy::disallowed_methods, clippy::disallowed_macros, clippy::disallowed_types)]
