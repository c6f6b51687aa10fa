//! One integration binary: every test module is beside this file.

mod accuracy;
mod calibration;
mod cli;
mod layering;
mod links;
mod made;
mod one_direction;
mod outside_detection;
mod outside_geometry;
mod outside_line;
mod outside_links;
mod outside_reflectance;
mod outside_scale;
mod outside_two_way;
mod plot;
mod properties;
mod read;
mod read_hostile;
mod read_recipe;
mod readme;
mod reference;
mod report;
mod simulate;
mod simulate_cable;
mod splice_log;
mod visit_sheet;
