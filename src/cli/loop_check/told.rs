//! A loop check in words, in JSON, and as the journal keeps it.

use std::io::{self, Write};

use serde_json::{Value, json};

use crate::cli::terminal::Terminal;
use crate::control::proof::Proof;
use crate::proving::causes::{Cause, Side};
use crate::proving::loop_check::{Gap, Pair, Point, Subject, Verdict};

/// A loop check that is done.
pub(super) struct Checked {
    pub signal: String,
    pub loop_signal: String,
    pub unit: String,
    pub subject: Subject,
    pub points: Vec<Point>,
    pub verdict: Verdict,
    pub causes: Vec<Cause>,
    pub side: Option<Side>,
}

impl Checked {
    /// For a person.
    pub fn tell(&self, terminal: &Terminal, out: &mut dyn Write) -> io::Result<()> {
        writeln!(out, "{} against {}", self.signal, self.loop_signal)?;
        for line in self.point_lines() {
            for folded in terminal.fold(6, &format!("  {line}")) {
                writeln!(out, "{folded}")?;
            }
        }
        let tolerance = self.subject.tolerance * 100.0;
        let worst = self.verdict.worst.map_or("nothing could be compared".to_owned(), |worst| {
            format!("worst {:.2} % of the span, allowed {tolerance} %", worst * 100.0)
        });
        writeln!(out, "{}: {worst}", if self.verdict.pass { "PASS" } else { "FAIL" })?;
        if !self.causes.is_empty() {
            writeln!(out, "Likely causes, the likeliest first:")?;
        }
        for cause in &self.causes {
            for line in terminal.fold(4, &format!("  * {}. {}", cause.sentence(), cause.look())) {
                writeln!(out, "{line}")?;
            }
        }
        let side = self.side.map(Side::sentence).into_iter();
        side.flat_map(|side| terminal.wrap(2, side)).try_for_each(|line| writeln!(out, "{line}"))
    }

    /// For a machine.
    pub fn json(&self) -> Value {
        let points: Vec<Value> = self.points.iter().zip(&self.verdict.gaps).map(point_json).collect();
        let cause = |cause: &Cause| json!({ "cause": cause.word(), "sentence": cause.sentence(), "look": cause.look() });
        json!({
            "signal": self.signal,
            "loop": self.loop_signal,
            "unit": self.unit,
            "tolerance_pct": self.subject.tolerance * 100.0,
            "points": points,
            "worst_pct": self.verdict.worst.map(|worst| worst * 100.0),
            "pass": self.verdict.pass,
            "causes": self.causes.iter().map(cause).collect::<Vec<_>>(),
            "side": self.side.map(Side::word),
        })
    }

    /// For the journal.
    pub fn proof(&self) -> Proof {
        Proof::LoopChecked {
            signal: self.signal.clone(),
            loop_signal: self.loop_signal.clone(),
            points: self.point_lines(),
            worst_pct: self.verdict.worst.map(|worst| worst * 100.0),
            tolerance_pct: self.subject.tolerance * 100.0,
            pass: self.verdict.pass,
            causes: self.causes.iter().map(|cause| cause.word().to_owned()).collect(),
            side: self.side.map(|side| side.word().to_owned()),
        }
    }

    /// Each point in a line.
    fn point_lines(&self) -> Vec<String> {
        self.points.iter().zip(&self.verdict.gaps).map(|(point, gaps)| self.point_line(point, gaps)).collect()
    }

    fn point_line(&self, point: &Point, gaps: &[Gap]) -> String {
        let unit = &self.unit;
        let at = point.ordered.map_or("flowing gas".to_owned(), |share| format!("{} %", share * 100.0));
        let seen = [
            Some(
                point
                    .current_ma
                    .map_or("loop not read".to_owned(), |current| format!("{:.3} mA", current.mean)),
            ),
            point.register.map(|register| format!("register {:.4} {unit}", register.mean)),
            point.display.map(|display| format!("display {display} {unit}")),
            point.meter_ma.map(|meter| format!("meter {meter} mA")),
        ];
        let apart = gaps.iter().map(|gap| {
            let milliamps = match gap.pair {
                Pair::LoopOrdered | Pair::LoopRegister | Pair::LoopMeter => {
                    format!(" ({:+.3} mA)", gap.milliamps())
                }
                Pair::RegisterOrdered | Pair::DisplayRegister => String::new(),
            };
            format!("{} {:+.2} %{milliamps}", gap.pair.words(), gap.share * 100.0)
        });
        let told: Vec<String> = seen.into_iter().flatten().chain(apart).collect();
        format!("{at}: {}", told.join(", "))
    }
}

fn point_json((point, gaps): (&Point, &Vec<Gap>)) -> Value {
    let gap = |gap: &Gap| json!({ "pair": gap.pair.word(), "pct": gap.share * 100.0 });
    json!({
        "ordered_pct": point.ordered.map(|share| share * 100.0),
        "register": point.register.map(|register| register.mean),
        "current_ma": point.current_ma.map(|current| current.mean),
        "current_scatter_ma": point.current_ma.map(|current| current.scatter),
        "display": point.display,
        "meter_ma": point.meter_ma,
        "gaps": gaps.iter().map(gap).collect::<Vec<_>>(),
    })
}
