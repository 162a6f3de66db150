//! Circles: things that look at one another until they come round to themselves.

use crate::config::problem::Span;

/// A way that comes back to where it began, and where its closing look is written.
pub(super) struct Circle {
    /// The things on it, by number. The last one looks at the first.
    pub way: Vec<usize>,
    /// Where the look that closes it stands.
    pub closed_at: Span,
}

impl Circle {
    /// "a → b → a".
    pub(super) fn told<'a>(&self, name: impl Fn(usize) -> &'a str) -> String {
        let round = self.way.iter().chain(self.way.first());
        round.map(|thing| name(*thing)).collect::<Vec<_>>().join(" → ")
    }
}

/// Each look that closes a circle, when thing `n` looks at `looks[n]`. Every number must be less than
/// the number of things.
pub(super) fn circles(looks: &[Vec<(usize, Span)>]) -> Vec<Circle> {
    let mut found = Vec::new();
    let mut finished = vec![false; looks.len()];
    for start in 0..looks.len() {
        // Each thing on the way, and which of its looks comes next.
        let mut way: Vec<(usize, usize)> = vec![(start, 0)];
        while let Some((thing, next)) = way.last_mut() {
            let (thing, look) = (*thing, looks.get(*thing).and_then(|looks| looks.get(*next)));
            *next += 1;
            let Some(&(target, span)) = look else {
                finished[thing] = true;
                way.pop();
                continue;
            };
            if let Some(first) = way.iter().position(|(on_way, _)| *on_way == target) {
                let way = way.iter().skip(first).map(|(on_way, _)| *on_way).collect();
                found.push(Circle { way, closed_at: span });
            } else if !finished[target] {
                way.push((target, 0));
            }
        }
    }
    found
}
