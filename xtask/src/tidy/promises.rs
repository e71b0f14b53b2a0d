//! Whether the tests that `tests/README.md` names exist.

/// The page.
pub(super) const PAGE: &str = "tests/README.md";

/// What is wrong with the page, each with its line, from 1: names of tests and fuzz targets that no
/// file has. The files come with their paths.
pub(super) fn check(files: &[(String, String)]) -> Vec<(usize, String)> {
    let Some((_, page)) = files.iter().find(|(file, _)| file == PAGE) else {
        return vec![(0, "is missing".to_owned())];
    };
    let exists = |name: &str| {
        let (rust, python) = (format!("fn {name}("), format!("def {name}("));
        let generic = format!("fn {name}<");
        let target = format!("tests/fuzz/targets/{name}.rs");
        files.iter().any(|(file, text)| {
            *file == target || [&rust, &python, &generic].into_iter().any(|it| text.contains(it))
        })
    };
    let mut problems = Vec::new();
    for (index, line) in page.lines().enumerate() {
        let unknown = named(line).filter(|name| !exists(name));
        problems.extend(unknown.map(|name| (index + 1, format!("there is no test {name}"))));
    }
    problems
}

/// The tests that the middle column of a row names, and its fuzz targets.
fn named(line: &str) -> impl Iterator<Item = &str> {
    let column = line.split('|').nth(2).unwrap_or_default();
    column.split('`').skip(1).step_by(2)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_without_a_test_are_found() {
        let file = |name: &str, text: &str| (name.to_owned(), text.to_owned());
        let row =
            "| promise | `a_test`, `test_in_python`, fuzz target `state`, `gone` | `source` |\n";
        let files = [
            file(PAGE, row),
            file("a.rs", "fn a_test() {}\n"),
            file("b.py", "def test_in_python(plugin):\n"),
            file("tests/fuzz/targets/state.rs", ""),
        ];
        let problems = check(&files);
        assert_eq!(problems, [(1, "there is no test gone".to_owned())]);
        assert_eq!(check(&files[1..]).len(), 1, "the page itself is missed");
    }
}
