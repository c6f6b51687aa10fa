//! Limits as a file to edit.

use std::fmt::Write as _;

use crate::units::{Length, Loss, Wavelength};

use super::limits::{Band, Limits, LossBound, LossLimit};

impl Limits {
    /// The limits as TOML that reads back to the same, with a comment on each.
    pub fn to_toml(&self) -> String {
        let mut file = File(String::new());
        file.comment(
            "Acceptance limits for two-way values. Leave out what is not asked for; every limit",
        );
        file.comment(
            "names its source: a standard's number, \"contract value\" or \"from memory\".",
        );
        file.text("name", &self.name);
        file.loss(
            "splice_loss",
            "Two-way loss of a splice.",
            self.splice_loss.as_ref(),
        );
        file.loss(
            "connector_loss",
            "Two-way loss of a mated pair of connectors.",
            self.connector_loss.as_ref(),
        );
        file.loss(
            "mean_per_fibre",
            "Mean two-way loss of a fibre's splices.",
            self.mean_per_fibre.as_ref(),
        );
        file.loss(
            "mean_per_closure",
            "Mean two-way loss of all fibres' splices in one closure (whole cables only).",
            self.mean_per_closure.as_ref(),
        );
        if let Some(limit) = &self.splices_over {
            file.table(
                "splices_over",
                "How many splices of a fibre may exceed a softer limit.",
            );
            file.number("over_db", limit.over.db());
            file.number("at_most", limit.at_most as f64);
            file.text("source", &limit.source);
        }
        if let Some(limit) = &self.reflectance {
            file.table(
                "reflectance",
                "Reflectance of a reflective event. `std_error_db` is its standard error, most of it that\n\
                 of the backscatter coefficient; left out: 0.29 dB, or 0.58 dB for the usual coefficient.",
            );
            file.number("max_db", limit.max.db());
            file.optional("std_error_db", limit.std_error_db);
            file.text("source", &limit.source);
        }
        if let Some(limit) = &self.orl {
            file.table(
                "orl",
                "Optical return loss of the link, from either end; `std_error_db` as above.",
            );
            file.number("min_db", limit.min.db());
            file.optional("std_error_db", limit.std_error_db);
            file.text("source", &limit.source);
        }
        for limit in &self.section_attenuation {
            file.tables(
                "section_attenuation",
                "Attenuation of a section; sections shorter than `least_length_m` are not judged.",
            );
            file.band(limit.band);
            file.number("max_db_per_km", limit.max.db_per_km());
            file.optional("least_length_m", limit.least_length.map(Length::m));
            file.text("source", &limit.source);
        }
        for limit in &self.link_loss {
            file.tables(
                "link_loss",
                "Loss of the whole link: `max_db`, or a budget. Splices and connectors are those found,\n\
                 unless `splices` and `connectors` say how many there are.",
            );
            file.band(limit.band);
            match limit.bound {
                LossBound::Fixed { max } => file.number("max_db", max.db()),
                LossBound::Budget {
                    per_splice,
                    per_connector,
                    per_km,
                    plus,
                    splices,
                    connectors,
                } => {
                    file.number("per_splice_db", per_splice.db());
                    file.number("per_connector_db", per_connector.db());
                    file.number("per_km_db", per_km.db_per_km());
                    file.optional("plus_db", Some(plus.db()).filter(|db| *db != 0.0));
                    file.optional("splices", splices.map(|count| count as f64));
                    file.optional("connectors", connectors.map(|count| count as f64));
                }
            }
            file.text("source", &limit.source);
        }
        file.0
    }
}

struct File(String);

impl File {
    fn line(&mut self, line: &str) {
        self.0.push_str(line);
        self.0.push('\n');
    }

    fn comment(&mut self, text: &str) {
        for line in text.lines() {
            self.line(&format!("# {}", line.trim()));
        }
    }

    fn table(&mut self, key: &str, about: &str) {
        self.0.push('\n');
        self.comment(about);
        self.line(&format!("[{key}]"));
    }

    fn tables(&mut self, key: &str, about: &str) {
        let head = format!("[[{key}]]");
        self.0.push('\n');
        if !self.0.contains(&head) {
            self.comment(about);
        }
        self.line(&head);
    }

    fn number(&mut self, key: &str, value: f64) {
        // The shortest digits that read back to the same number.
        let _ = writeln!(self.0, "{key} = {value}");
    }

    fn optional(&mut self, key: &str, value: Option<f64>) {
        if let Some(value) = value {
            self.number(key, value);
        }
    }

    fn text(&mut self, key: &str, value: &str) {
        let _ = writeln!(self.0, "{key} = {}", toml::Value::from(value));
    }

    fn band(&mut self, band: Band) {
        self.optional("from_nm", band.from.map(Wavelength::nm));
        self.optional("to_nm", band.to.map(Wavelength::nm));
    }

    fn loss(&mut self, key: &str, about: &str, limit: Option<&LossLimit>) {
        if let Some(limit) = limit {
            self.table(key, about);
            self.number("max_db", Loss::db(limit.max));
            self.text("source", &limit.source);
        }
    }
}
