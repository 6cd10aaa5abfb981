//! A fitting as text, for the program to propose and a person to go on with.
//!
//! Sections come in the order of the README's reference, each with a word of comment. What is as it
//! would be anyway is written too, so that the person sees what can be changed.

use std::fmt::Write;

use flatten::{
    dart::Anchor,
    piece::{Grain, hair::HairZone},
    sheet::{Orientation, SheetOptions},
    units::trimmed,
};

use super::{Dart, Darts, Fitting, Hair, Perimeter, Towards};

impl Fitting {
    /// The file's text; reading it gives the same fitting, numbers within a millionth of their unit.
    pub fn to_text(&self) -> String {
        let mut out = Text {
            out: String::new(),
            in_mm: self.unit.in_mm(),
        };
        self.head(&mut out);
        self.mold(&mut out);
        self.places(&mut out);
        self.make(&mut out);
        self.layout(&mut out);
        out.section("[sheet]");
        let paper = self.sheet.paper.to_string().to_lowercase();
        out.line("paper", &quoted(&paper), "");
        let plain = SheetOptions::default();
        if self.sheet.orientation != plain.orientation {
            let word = match self.sheet.orientation {
                Orientation::Fewest => "fewest",
                Orientation::Portrait => "portrait",
                Orientation::Landscape => "landscape",
            };
            out.line("orientation", &quoted(word), "");
        }
        if differs(self.sheet.margin_mm, plain.margin_mm) {
            out.length("margin", self.sheet.margin_mm, "");
        }
        if differs(self.sheet.overlap_mm, plain.overlap_mm) {
            out.length("overlap", self.sheet.overlap_mm, "");
        }
        if self.sheet.turn_pieces != plain.turn_pieces {
            out.line("turn_pieces", &self.sheet.turn_pieces.to_string(), "");
        }
        out.out
    }

    fn head(&self, out: &mut Text) {
        out.line("fitting", "1", "version of this format");
        out.line(
            "client",
            &quoted(&self.client),
            "a number, never a name: it is printed on the sheets",
        );
        if let Some(date) = &self.date {
            out.line("date", &quoted(date), "printed as it stands");
        }
        if !self.confirmed {
            out.line(
                "confirmed",
                "false",
                "set to true when you have checked every point below",
            );
        }
        let unit = quoted(self.unit.symbol());
        out.line("units", &unit, "of every length in this file");
    }

    fn mold(&self, out: &mut Text) {
        if let Some(scan) = &self.mold.scan {
            out.section("[mold]");
            out.line(
                "scan",
                &quoted(&scan.to_string_lossy()),
                "relative to this file",
            );
            let unit = self.mold.unit.map_or("auto", |unit| unit.symbol());
            out.line("scan_units", &quoted(unit), "");
        } else if self.mold.offset_mm != 0.0 {
            out.section("[mold]");
        }
        if self.mold.offset_mm != 0.0 {
            out.length(
                "offset",
                self.mold.offset_mm,
                "the base lies so far outside (+)",
            );
        }
        if let Some(marks) = self.landmarks {
            out.section("[landmarks]  # on the scan, in its own coordinates and unit");
            out.line(
                "front",
                &point(&marks.front),
                "centre of the front hairline",
            );
            out.line("nape", &point(&marks.nape), "centre of the nape hairline");
            let ear = "where the scalp meets the top of the ear";
            out.line("left_ear", &point(&marks.left_ear), ear);
            out.line("right_ear", &point(&marks.right_ear), ear);
            if let Some(crown) = marks.crown {
                out.line("crown", &point(&crown), "top of the head");
            }
        }
    }

    fn places(&self, out: &mut Text) {
        match &self.perimeter {
            Perimeter::Form => {}
            Perimeter::Pen => {
                out.section("[perimeter]  # where the finished base ends");
                out.line("from", "\"pen\"", "the line drawn on the scan");
            }
            Perimeter::Points(list) => {
                out.section("[perimeter]  # where the finished base ends");
                out.line("from", "\"points\"", "in order round the head");
                out.line("points", &points(list), "");
            }
            Perimeter::Clock(readings) => {
                out.section("[perimeter]  # where the finished base ends");
                out.line(
                    "from",
                    "\"clock\"",
                    "from the crown to the hairline, 12 at the front first",
                );
                let hours: Vec<_> = readings.iter().map(|mm| out.number(*mm)).collect();
                out.line("clock", &format!("[{}]", hours.join(", ")), "");
            }
        }
        for opening in &self.openings {
            out.section("[[opening]]  # left out for the client's own hair");
            out.line("points", &points(opening), "");
        }
        for clear in &self.keep_clear {
            out.section("[[keep_clear]]  # nothing is cut, sewn or clipped here");
            out.line("centre", &point(&clear.centre), "");
            out.length("radius", clear.radius_mm, "");
            out.line("reason", &quoted(&clear.reason), "");
        }
        if !self.tape.is_empty() {
            out.section("[tape]");
            for (path, mm) in &self.tape {
                out.length(path.key(), *mm, path.how());
            }
        }
    }

    fn make(&self, out: &mut Text) {
        out.section("[material]");
        out.line("name", &quoted(&self.material.name), "");
        let limit = trimmed(self.material.limit, 6);
        out.line("limit", &limit, "strain it takes; measure a sample");
        if differs(self.material.tension, 1.0) {
            out.line("tension", &trimmed(self.material.tension, 6), "");
        }
        if differs(self.material.crowding, 1.0) {
            out.line("crowding", &trimmed(self.material.crowding, 6), "");
        }
        let grain = match self.grain {
            Grain::FrontBack => None,
            Grain::Across => Some("across"),
            Grain::Bias => Some("bias"),
            Grain::Any => Some("any"),
        };
        if let Some(grain) = grain {
            out.line("grain", &quoted(grain), "lay of the selvedge");
        }
        if let Some(stock) = &self.stock {
            out.length("width", stock.width_mm, "of the stock");
            if let Some(length_mm) = stock.length_mm {
                out.length("length", length_mm, "of a sheet; a roll has none");
            }
        }
        if let Some(Hair { plan, zones }) = &self.hair {
            out.section("[hair]");
            out.line(
                "density",
                &trimmed(plan.per_cm2, 6),
                "hairs on a square centimetre",
            );
            out.length("length", plan.length_mm, "that hangs");
            out.length("fold", plan.return_mm, "folded back into the knot");
            let thickness = format!("{}mm", trimmed(plan.diameter_mm, 6));
            out.line("thickness", &quoted(&thickness), "");
            for (zone, density) in HairZone::ALL.iter().zip(zones) {
                if let Some(density) = density {
                    out.line(
                        zone.key(),
                        &trimmed(*density, 6),
                        "hairs on a square centimetre",
                    );
                }
            }
        }
        out.section("[allowance]");
        let a = &self.allowance;
        out.length("front", a.front_mm, "");
        out.length("sides", a.sides_mm, "");
        out.length("nape", a.nape_mm, "");
        out.length("opening", a.opening_mm, "");
        out.length("seam", a.seam_mm, "");
        out.length("dart", a.dart_mm, "");
    }

    fn layout(&self, out: &mut Text) {
        out.section("[darts]");
        match &self.darts {
            Darts::None => out.line("layout", "\"none\"", ""),
            Darts::Even(count) => out.line("layout", &quoted(&format!("even:{count}")), ""),
            Darts::Auto(most) => {
                out.line(
                    "layout",
                    "\"auto\"",
                    "\"none\", \"even:6\", or \"given\" with a list of [[dart]]s",
                );
                out.line("most", &most.to_string(), "");
            }
            Darts::Given { darts, seams } => {
                out.line("layout", "\"given\"", "in sewing order");
                for dart in darts {
                    out.dart(dart);
                }
                for seam in seams {
                    out.section("[[seam]]");
                    out.line("through", &points(seam), "");
                }
            }
        }
    }
}

/// Text under way.
struct Text {
    out: String,
    in_mm: f64,
}

impl Text {
    fn section(&mut self, name: &str) {
        let _ = writeln!(self.out, "\n{name}");
    }

    fn line(&mut self, key: &str, value: &str, remark: &str) {
        let line = format!("{key} = {value}");
        let _ = match remark {
            "" => writeln!(self.out, "{line}"),
            _ => writeln!(self.out, "{line:30} # {remark}"),
        };
    }

    fn number(&self, mm: f64) -> String {
        trimmed(mm / self.in_mm, 6)
    }

    fn length(&mut self, key: &str, mm: f64, remark: &str) {
        let number = self.number(mm);
        self.line(key, &number, remark);
    }

    fn dart(&mut self, dart: &Dart) {
        self.section("[[dart]]");
        let from = match dart.from {
            Anchor::Front => "front".into(),
            Anchor::Nape => "nape".into(),
            Anchor::LeftEar => "left_ear".into(),
            Anchor::RightEar => "right_ear".into(),
            Anchor::Opening(n) => format!("opening:{}", n + 1),
        };
        self.line("from", &quoted(&from), "");
        self.length("along", dart.along_mm, "");
        self.length("depth", dart.depth_mm, "");
        match dart.towards {
            Towards::Inward => {}
            Towards::Turned(angle) => {
                self.line(
                    "turned",
                    &trimmed(angle.to_degrees(), 6),
                    "degrees from straight inward",
                );
            }
            Towards::Point(p) => self.line("towards", &point(&p), ""),
            Towards::Landmark(mark) => self.line("towards", &quoted(mark.key()), ""),
        }
    }
}

/// A TOML string.
fn quoted(text: &str) -> String {
    toml::Value::String(text.into()).to_string()
}

fn point(p: &[f64; 3]) -> String {
    let numbers = p.map(|x| trimmed(x, 6));
    format!("[{}]", numbers.join(", "))
}

fn points(list: &[[f64; 3]]) -> String {
    let lines: Vec<_> = list.iter().map(|p| format!("  {},\n", point(p))).collect();
    format!("[\n{}]", lines.concat())
}

/// Whether a value is another one than the default as far as the file can tell.
fn differs(value: f64, default: f64) -> bool {
    (value - default).abs() > 1e-9
}
