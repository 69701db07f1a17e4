//! Print: tags, station cards and calibration boards as PDF in exact millimetres.
