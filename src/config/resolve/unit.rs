//! Ways between the units of two signals, with what the site tells about gas and air.

use crate::config::problem::{Problem, Span};
use crate::config::raw::{At, GasReferenceTable, Root};
use crate::signal::{Scale, SignalIndex, SignalSpec};
use crate::units::{self, Circumstances, Conversion, GasReference, Inconvertible, Substance, Unit};

/// What the site tells about its gas and the air around.
pub(super) struct Gas {
    pub reference: Option<GasReference>,
    pub ambient_pa: Option<f64>,
    /// What each signal measures the content of, where that is told.
    pub substances: Vec<Option<Substance>>,
}

/// As the file tells it.
pub(super) fn gas(root: &Root) -> Gas {
    let signals = root.device.items().iter().flat_map(|device| device.value.signal.items());
    let substance = |signal: &At<crate::config::raw::Signal>| signal.value.substance.get().copied();
    Gas {
        reference: root.gas_reference.get().and_then(reference),
        ambient_pa: root.site.get().and_then(|site| Some(site.ambient_pressure.get()?.0)),
        substances: signals.map(substance).collect(),
    }
}

/// At which volumes of gas are counted.
pub(super) fn reference(table: &GasReferenceTable) -> Option<GasReference> {
    Some(GasReference { temperature_k: table.temperature.get()?.0, pressure_pa: table.pressure.get()?.0 })
}

/// A signal, by its place and what is known of it.
pub(super) type Placed<'a> = (SignalIndex, &'a SignalSpec);

/// From the unit of one signal to that of another; reports, at `span`, units that cannot be compared.
pub(super) fn conversion(
    from: Placed,
    to: Placed,
    gas: &Gas,
    span: Span,
    problems: &mut Vec<Problem>,
) -> Option<Scale> {
    if from.1.unit == to.1.unit {
        return Some(scale(Conversion { factor: 1.0, offset: 0.0 }));
    }
    let substance = substance(from, to, gas, span, problems)?;
    let found = match (unit(from.1), unit(to.1)) {
        (Ok(known), Ok(wanted)) => {
            let at = Circumstances { reference: gas.reference?, substance, ambient_pa: gas.ambient_pa };
            units::conversion(known, wanted, &at).map_err(|why| told(why, known, wanted, from.1, span))
        }
        (Err(unknown), _) | (_, Err(unknown)) => {
            Err(Problem::new(span, "units that cannot be compared", unknown)
                .help("docs/configuration.md lists the units that are known"))
        }
    };
    found.map(scale).map_err(|problem| problems.push(problem)).ok()
}

fn scale(Conversion { factor, offset }: Conversion) -> Scale {
    Scale { from: [0.0, 1.0], to: [offset, offset + factor] }
}

fn unit(signal: &SignalSpec) -> Result<&'static Unit, String> {
    let name = signal.unit.as_deref().ok_or_else(|| format!("`{}` has no unit", signal.id))?;
    Unit::parse(name).ok_or_else(|| format!("\"{name}\" of `{}` is not a unit that is known", signal.id))
}

/// The substance that both measure, as far as it is told.
fn substance(
    from: Placed,
    to: Placed,
    gas: &Gas,
    span: Span,
    problems: &mut Vec<Problem>,
) -> Option<Option<Substance>> {
    let of = |index: SignalIndex| gas.substances.get(index.0).copied().flatten();
    match (of(from.0), of(to.0)) {
        (Some(one), Some(other)) if one != other => {
            let label = format!("{} against {}", one.word(), other.word());
            problems.push(Problem::new(span, "two substances that cannot be compared", label));
            None
        }
        (one, other) => Some(one.or(other)),
    }
}

fn told(why: Inconvertible, known: &Unit, wanted: &Unit, signal: &SignalSpec, span: Span) -> Problem {
    let label = format!("{} against {}", known.name, wanted.name);
    let problem = |title: &str| Problem::new(span, title, label);
    match why {
        Inconvertible::Unlike => {
            let [one, other] = [known, wanted].map(|unit| unit.quantity.words());
            let what = format!("one gives {one}, the other {other}");
            problem("units that cannot be compared").help(what)
        }
        Inconvertible::SubstanceUnknown => problem("mass and moles of a substance that is not told")
            .help(format!("say at the signal `{}` what it measures: `substance = \"water\"`", signal.id)),
        Inconvertible::AmbientUnknown => problem("gauge and absolute without the pressure of the air")
            .help("give it under [site]: `ambient_pressure = \"14.4 psia\"`"),
    }
}
