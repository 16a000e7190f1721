"""Pure signal code: samples in, ring changes out; no devices, files, screens or clocks."""
