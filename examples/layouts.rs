//! What darts are worth: strain of even and automatic layouts on the average head.
//!
//! `cargo run --release -p flatten --example layouts [MOST] [GENERATIONS] [RESTARTS] [FEWEST]`
//!
//! With many restarts and generations it finds the layouts that the search starts from.

use std::time::Instant;

use flatten::{
    dart::{self, Layout, SearchOptions},
    flat::{self, StrainField},
    form::average_head,
    job::Material,
    patch::Patch,
};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut numbers = std::env::args().skip(1).map(|a| a.parse::<usize>());
    let most = numbers.next().transpose()?.unwrap_or(8);
    let generations = numbers.next().transpose()?.unwrap_or(8);
    let restarts = numbers.next().transpose()?.unwrap_or(0);
    let fewest = numbers.next().transpose()?.unwrap_or(2);
    let form = average_head();
    let patch = Patch::cut(&form.mesh(12_000), form.head(), &form.outline(), Vec::new())?;
    let curvature = patch.mesh.total_curvature().to_degrees();
    println!(
        "{:.0} cm², {curvature:.0}° of curvature",
        patch.mesh.area() / 100.0
    );

    let lace = Material {
        name: "lace".into(),
        limit: 0.03,
        tension: 1.0,
        crowding: 1.0,
    };
    let tell = |layout: &Layout| -> Result<(), Box<dyn std::error::Error>> {
        let cut = dart::cut(&patch, layout)?;
        let laid: Result<Vec<_>, _> = cut.panels.iter().map(|p| flat::lay(p, &lace)).collect();
        let fields: Vec<StrainField> = laid?.into_iter().map(|(_, field)| field).collect();
        let strain = StrainField::joined(&fields).summary(lace.limit);
        let length: f64 = cut.darts.iter().map(|d| d.length_mm).sum();
        println!(
            "{:<16} p95 {:.2} %, {length:.0} mm to sew",
            layout.name,
            100.0 * strain.p95
        );
        Ok(())
    };
    for count in [0, 4, 6, 8] {
        tell(&dart::even(&patch, count))?;
    }
    for count in fewest..=most {
        let start = Instant::now();
        let mut options = SearchOptions {
            fewest: count,
            most: count,
            generations,
            restarts,
            ..SearchOptions::default()
        };
        if restarts > 0 {
            (options.population, options.step) = (14, 0.06);
        }
        let found = dart::search(&patch, &lace, &options)?;
        tell(&found.best.layout)?;
        println!(
            "    coarse p95 {:.2} %, {} tried in {:.1} s, uneven by {:.1} mm",
            100.0 * found.best.p95,
            found.tried,
            start.elapsed().as_secs_f64(),
            found.uneven_mm
        );
        // As they go into `flatten/src/dart/starts.rs`: the left dart of each pair, on the right.
        let cut = dart::cut(&patch, &found.best.layout)?;
        for ([mouth, ..], line) in found.best.genes.iter().zip(cut.darts.iter().step_by(2)) {
            let point = cut.mesh.position(line.path[line.path.len() - 1]);
            let [x, y, z] = patch.head.in_parts(point);
            println!("    start({mouth:.3}, [{:.3}, {y:.3}, {z:.3}]),", -x);
        }
    }
    Ok(())
}
