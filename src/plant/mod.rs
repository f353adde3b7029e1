//! Physics of the virtual bench: battery, module, brushed motor, sensors. Knows units and nothing else of ours;
//! known to the virtual driver alone.
