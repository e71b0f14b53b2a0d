//! Draws the manual's plot of togetherness: every mix compressed on the bus, and on each of its
//! tracks alone. Writes `plugin/docs/togetherness.svg`.

#[path = "experiments.rs"]
mod experiments;

use experiments::{RATE_HZ, compress_by, compress_each_by, compressor, percent};
use std::error::Error;
use std::fmt::Write;
use std::path::Path;
use tenon_tests::mixes::{self, Density};

/// Largest gain reductions, in dB.
const REDUCTIONS_DB: [f64; 7] = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0];
/// Top of the scale, in per cent.
const TOP_PERCENT: f64 = 80.0;

/// Left, right, top and bottom of the plot area, in pixels.
const LEFT: f64 = 64.0;
const RIGHT: f64 = 500.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 324.0;

fn x(db: f64) -> f64 {
    LEFT + (RIGHT - LEFT) * db / REDUCTIONS_DB[REDUCTIONS_DB.len() - 1]
}

fn y(percent: f64) -> f64 {
    BOTTOM - (BOTTOM - TOP) * percent / TOP_PERCENT
}

/// One way to compress: readings of every mix, in per cent, at each reduction.
struct Curve {
    label: [&'static str; 2],
    colour: &'static str,
    readings: [Vec<f64>; REDUCTIONS_DB.len()],
}

impl Curve {
    fn new(label: [&'static str; 2], colour: &'static str) -> Self {
        Curve { label, colour, readings: Default::default() }
    }

    fn mean(&self, step: usize) -> f64 {
        self.readings[step].iter().sum::<f64>() / self.readings[step].len() as f64
    }

    fn points(&self, figure: impl Fn(&[f64]) -> f64) -> Vec<String> {
        let steps = REDUCTIONS_DB.iter().zip(&self.readings);
        steps.map(|(db, readings)| format!("{:.1},{:.1}", x(*db), y(figure(readings)))).collect()
    }

    /// The range of all mixes as an area, their mean as a line with dots and a label at its end.
    fn draw(&self, svg: &mut String) -> Result<(), std::fmt::Error> {
        let colour = self.colour;
        let mut area = self.points(|readings| readings.iter().copied().fold(0.0, f64::max));
        let lowest = self.points(|readings| readings.iter().copied().fold(TOP_PERCENT, f64::min));
        area.extend(lowest.into_iter().rev());
        writeln!(svg, r#"<polygon points="{}" fill="{colour}" opacity="0.2"/>"#, area.join(" "))?;
        let mean = self.points(|readings| readings.iter().sum::<f64>() / readings.len() as f64);
        let line = mean.join(" ");
        writeln!(
            svg,
            r#"<polyline points="{line}" fill="none" stroke="{colour}" stroke-width="2"/>"#
        )?;
        for (step, db) in REDUCTIONS_DB.into_iter().enumerate() {
            let (x, y) = (x(db), y(self.mean(step)));
            writeln!(svg, r#"<circle cx="{x:.1}" cy="{y:.1}" r="3" fill="{colour}"/>"#)?;
        }
        let end = y(self.mean(REDUCTIONS_DB.len() - 1));
        for (line, text) in self.label.into_iter().enumerate() {
            let (x, y) = (RIGHT + 10.0, end + 16.0 * line as f64);
            writeln!(svg, r#"<text x="{x:.0}" y="{y:.0}" fill="{colour}">{text}</text>"#)?;
        }
        Ok(())
    }
}

fn draw(curves: &[Curve]) -> Result<String, std::fmt::Error> {
    let mut svg = String::new();
    writeln!(
        svg,
        r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 640 384" width="640" height="384" font-family="sans-serif" font-size="13" fill="#333">
<title>Togetherness against gain reduction</title>
<rect width="640" height="384" fill="#fff"/>"##
    )?;
    for percent in (0..=TOP_PERCENT as u32).step_by(20) {
        let y = y(percent.into());
        writeln!(svg, r##"<path d="M{LEFT} {y:.1}H{RIGHT}" stroke="#ddd"/>"##)?;
        writeln!(svg, r#"<text x="56" y="{:.1}" text-anchor="end">{percent} %</text>"#, y + 4.5)?;
    }
    for db in REDUCTIONS_DB {
        let (x, y) = (x(db), BOTTOM + 20.0);
        writeln!(svg, r#"<text x="{x:.1}" y="{y}" text-anchor="middle">{db} dB</text>"#)?;
    }
    writeln!(svg, r#"<text x="{LEFT}" y="18">Togetherness</text>"#)?;
    let middle = (LEFT + RIGHT) / 2.0;
    writeln!(
        svg,
        r#"<text x="{middle}" y="370" text-anchor="middle">Largest gain reduction</text>"#
    )?;
    for curve in curves {
        curve.draw(&mut svg)?;
    }
    writeln!(svg, "</svg>")?;
    Ok(svg)
}

fn main() -> Result<(), Box<dyn Error>> {
    let mut bus = Curve::new(["The mix", "on its bus"], "#b4530a");
    let mut each = Curve::new(["Each track", "alone"], "#1f5f8b");
    for seed in mixes::SEEDS {
        for density in Density::ALL {
            let parts = mixes::parts(RATE_HZ, seed, density);
            let dry = mixes::sum(&parts);
            for (step, db) in REDUCTIONS_DB.into_iter().enumerate() {
                let wet = compress_by(db, RATE_HZ, &dry, &compressor());
                bus.readings[step].push(percent(RATE_HZ, &dry, &wet));
                let wet = compress_each_by(db, RATE_HZ, &parts);
                each.readings[step].push(percent(RATE_HZ, &dry, &wet));
            }
        }
    }
    for (step, db) in REDUCTIONS_DB.into_iter().enumerate() {
        println!("{db} dB: bus {:.1} %, each track alone {:.1} %", bus.mean(step), each.mean(step));
    }
    let docs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../plugin/docs");
    let (finished, unfinished) = (docs.join("togetherness.svg"), docs.join("togetherness.svg.new"));
    std::fs::create_dir_all(&docs)?;
    std::fs::write(&unfinished, draw(&[bus, each])?)?;
    std::fs::rename(&unfinished, &finished)?;
    println!("drawn in {}", finished.display());
    Ok(())
}
