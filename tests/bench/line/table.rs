//! Tables as text, and the figures in them.

/// Prints a title and a table under it, its columns as wide as they must be.
pub fn print(title: &str, head: &[&str], rows: &[Vec<String>]) {
    let head: Vec<String> = head.iter().map(|cell| (*cell).to_owned()).collect();
    let all = || std::iter::once(&head).chain(rows);
    let width = |column: usize| {
        all().filter_map(|row| row.get(column)).map(|cell| cell.chars().count()).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..head.len()).map(width).collect();
    println!("\n{title}\n");
    for (at, row) in all().enumerate() {
        let cells: Vec<String> =
            widths.iter().zip(row).map(|(width, cell)| format!("{cell:<width$}")).collect();
        println!("| {} |", cells.join(" | "));
        if at == 0 {
            let rules: Vec<String> = widths.iter().map(|width| "-".repeat(*width)).collect();
            println!("| {} |", rules.join(" | "));
        }
    }
}

/// The value that a share of all `values` does not exceed; not a number when there are none.
pub fn quantile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let last = values.len().saturating_sub(1);
    values.get((last as f64 * share).round() as usize).copied().unwrap_or(f64::NAN)
}

/// A share in percent.
pub fn percent(share: f64) -> String {
    format!("{:.2} %", share * 100.0)
}
