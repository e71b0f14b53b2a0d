//! Reads from Rust source which paths and names it mentions outside tests. It knows the grammar only
//! as far as that takes: comments, literals, `use` trees, modules, attributes.

/// What a source file mentions.
#[derive(Debug, Default)]
pub(super) struct Mentions {
    /// Paths with their lines. Those within the crate begin with `crate`; others are as written.
    pub(super) paths: Vec<(usize, Vec<String>)>,
    /// Every other identifier too, with its line.
    pub(super) names: Vec<(usize, String)>,
    /// Modules that exist in tests only, each a path from `crate` on.
    pub(super) test_modules: Vec<Vec<String>>,
}

/// Reads the source of a module, given as its path from `crate` on.
pub(super) fn mentions(source: &str, module: &[String]) -> Mentions {
    let (tokens, test_modules) = without_tests(tokens(source), module);
    let mut reader = Reader {
        children: declared(&tokens),
        tokens: &tokens,
        at: 0,
        module: module.to_vec(),
        inline: Vec::new(),
        depth: 0,
        paths: Vec::new(),
    };
    reader.read();
    let paths = reader.paths;
    let names = tokens.iter().filter_map(|token| match &token.kind {
        Kind::Name(name) => Some((token.line, name.clone())),
        _ => None,
    });
    Mentions { paths, names: names.collect(), test_modules }
}

#[derive(Debug, Clone, PartialEq)]
enum Kind {
    /// An identifier or keyword.
    Name(String),
    /// `::`
    Separator,
    /// Any other sign.
    Sign(char),
}

#[derive(Debug, Clone)]
struct Token {
    line: usize,
    kind: Kind,
}

impl Token {
    fn is(&self, sign: char) -> bool {
        self.kind == Kind::Sign(sign)
    }

    fn is_name(&self, name: &str) -> bool {
        matches!(&self.kind, Kind::Name(found) if found == name)
    }

    fn name(&self) -> Option<&str> {
        match &self.kind {
            Kind::Name(name) => Some(name),
            _ => None,
        }
    }
}

/// Splits source into tokens, leaving out comments, literals and blanks.
fn tokens(source: &str) -> Vec<Token> {
    let text: Vec<char> = source.chars().collect();
    let at = |i: usize| text.get(i).copied().unwrap_or('\0');
    let starts_name = |c: char| c == '_' || c.is_alphabetic();
    let in_name = |c: char| c == '_' || c.is_alphanumeric();
    let mut tokens = Vec::new();
    let (mut i, mut line, mut counted) = (0, 1, 0);
    while i < text.len() {
        line += text[counted..i].iter().filter(|c| **c == '\n').count();
        counted = i;
        let mut push = |kind| tokens.push(Token { line, kind });
        match at(i) {
            '/' if at(i + 1) == '/' => {
                while i < text.len() && at(i) != '\n' {
                    i += 1;
                }
            }
            '/' if at(i + 1) == '*' => {
                let mut depth = 0;
                loop {
                    match (at(i), at(i + 1)) {
                        ('/', '*') => (depth, i) = (depth + 1, i + 2),
                        ('*', '/') => (depth, i) = (depth - 1, i + 2),
                        _ => i += 1,
                    }
                    if depth == 0 || i >= text.len() {
                        break;
                    }
                }
            }
            '"' => i = after_string(&text, i),
            // A character, or else a lifetime.
            '\'' if at(i + 1) == '\\' => {
                i += 3;
                while i < text.len() && at(i) != '\'' {
                    i += 1;
                }
                i += 1;
            }
            '\'' if at(i + 2) == '\'' => i += 3,
            '\'' => i += 1,
            ':' if at(i + 1) == ':' => {
                push(Kind::Separator);
                i += 2;
            }
            c if c.is_ascii_digit() => {
                while in_name(at(i)) {
                    i += 1;
                }
            }
            c if starts_name(c) => {
                let start = i;
                while in_name(at(i)) {
                    i += 1;
                }
                let name: String = text[start..i].iter().collect();
                match name.as_str() {
                    "r" | "br" | "cr" if matches!(at(i), '"' | '#') => {
                        let end = after_raw_string(&text, i);
                        if end == i {
                            i += 1; // a raw name; the name itself comes next
                        }
                        i = i.max(end);
                    }
                    "b" | "c" if at(i) == '"' => i = after_string(&text, i),
                    "b" if at(i) == '\'' => {} // read on as a character
                    _ => push(Kind::Name(name)),
                }
            }
            c if c.is_whitespace() => i += 1,
            c => {
                push(Kind::Sign(c));
                i += 1;
            }
        }
    }
    tokens
}

/// The place after a string whose opening quote is at `i`.
fn after_string(text: &[char], mut i: usize) -> usize {
    i += 1;
    while i < text.len() && text[i] != '"' {
        i += if text[i] == '\\' { 2 } else { 1 };
    }
    i + 1
}

/// The place after a raw string whose hashes or quote begin at `i`; `i` itself when it is none.
fn after_raw_string(text: &[char], i: usize) -> usize {
    let hashes = text[i..].iter().take_while(|c| **c == '#').count();
    if text.get(i + hashes) != Some(&'"') {
        return i;
    }
    let closes = |end: usize| {
        text[end] == '"' && text[end + 1..].iter().take_while(|c| **c == '#').count() >= hashes
    };
    let end = (i + hashes + 1..text.len()).find(|end| closes(*end));
    end.map_or(text.len(), |end| end + 1 + hashes)
}

/// The index after the bracket that closes the one at `open`.
fn after_group(tokens: &[Token], open: usize) -> usize {
    let mut depth = 0;
    for (i, token) in tokens.iter().enumerate().skip(open) {
        match token.kind {
            Kind::Sign('(' | '[' | '{') => depth += 1,
            Kind::Sign(')' | ']' | '}') => depth -= 1,
            _ => {}
        }
        if depth == 0 {
            return i + 1;
        }
    }
    tokens.len()
}

/// Takes out everything under `#[cfg(test)]`, and tells the modules among it.
fn without_tests(tokens: Vec<Token>, module: &[String]) -> (Vec<Token>, Vec<Vec<String>>) {
    let sign = |i: usize, c: char| tokens.get(i).is_some_and(|token| token.is(c));
    let for_tests = |attribute: &[Token]| {
        let has = |name| attribute.iter().any(|token| token.is_name(name));
        has("cfg") && has("test") && !has("not")
    };
    let (mut kept, mut modules) = (Vec::new(), Vec::new());
    let mut i = 0;
    while i < tokens.len() {
        let inner = sign(i, '#') && sign(i + 1, '!') && sign(i + 2, '[');
        if inner && for_tests(&tokens[i..after_group(&tokens, i + 2)]) {
            return (Vec::new(), modules);
        }
        let outer = sign(i, '#') && sign(i + 1, '[');
        if !(outer && for_tests(&tokens[i..after_group(&tokens, i + 1)])) {
            kept.push(tokens[i].clone());
            i += 1;
            continue;
        }
        while sign(i, '#') && sign(i + 1, '[') {
            i = after_group(&tokens, i + 1);
        }
        // The item goes up to its braces or its semicolon; a field or an arm up to its comma.
        const ITEMS: [&str; 16] = [
            "pub",
            "fn",
            "mod",
            "use",
            "impl",
            "struct",
            "enum",
            "const",
            "static",
            "type",
            "trait",
            "unsafe",
            "extern",
            "async",
            "macro_rules",
            "let",
        ];
        let item = tokens.get(i).and_then(Token::name).is_some_and(|name| ITEMS.contains(&name));
        while i < tokens.len() {
            let closes = [')', ']', '}'].iter().any(|c| tokens[i].is(*c));
            if closes || (!item && tokens[i].is(',')) {
                break;
            }
            if tokens[i].is_name("mod")
                && sign(i + 2, ';')
                && let Some(name) = tokens[i + 1].name()
            {
                modules.push(module.iter().cloned().chain([name.to_owned()]).collect());
            }
            let ends = tokens[i].is(';') || (item && tokens[i].is('{'));
            i = match tokens[i].kind {
                Kind::Sign('(' | '[' | '{') => after_group(&tokens, i),
                _ => i + 1,
            };
            if ends {
                break;
            }
        }
    }
    (kept, modules)
}

/// Names of the modules declared in a file.
fn declared(tokens: &[Token]) -> Vec<String> {
    let pairs = tokens.windows(2).filter(|pair| pair[0].is_name("mod"));
    pairs.filter_map(|pair| pair[1].name().map(str::to_owned)).collect()
}

struct Reader<'a> {
    children: Vec<String>,
    tokens: &'a [Token],
    at: usize,
    module: Vec<String>,
    /// Depths of braces at which modules within the file were opened.
    inline: Vec<usize>,
    depth: usize,
    paths: Vec<(usize, Vec<String>)>,
}

impl Reader<'_> {
    fn read(&mut self) {
        while let Some(token) = self.tokens.get(self.at) {
            let next = self.tokens.get(self.at + 1);
            match &token.kind {
                // `use<'a>` in a type is no import.
                Kind::Name(name) if name == "use" && !next.is_some_and(|next| next.is('<')) => {
                    self.at += 1;
                    self.use_tree(&[]);
                }
                Kind::Name(name) if name == "mod" => {
                    let brace = self.tokens.get(self.at + 2).is_some_and(|token| token.is('{'));
                    if let (Some(name), true) = (next.and_then(Token::name), brace) {
                        self.module.push(name.to_owned());
                        self.inline.push(self.depth);
                    }
                    self.at += 2;
                }
                Kind::Name(_) if next.is_some_and(|next| next.kind == Kind::Separator) => {
                    let line = token.line;
                    let path = self.segments();
                    self.mention(line, path);
                }
                Kind::Sign('{') => {
                    self.depth += 1;
                    self.at += 1;
                }
                Kind::Sign('}') => {
                    self.depth = self.depth.saturating_sub(1);
                    if self.inline.last() == Some(&self.depth) {
                        self.inline.pop();
                        self.module.pop();
                    }
                    self.at += 1;
                }
                _ => self.at += 1,
            }
        }
    }

    /// Reads `a::b::c`, and stops before anything else.
    fn segments(&mut self) -> Vec<String> {
        let mut path = Vec::new();
        while let Some(name) = self.tokens.get(self.at).and_then(Token::name) {
            path.push(name.to_owned());
            self.at += 1;
            let more = self.tokens.get(self.at).is_some_and(|token| token.kind == Kind::Separator)
                && self.tokens.get(self.at + 1).is_some_and(|token| token.name().is_some());
            if !more {
                break;
            }
            self.at += 1;
        }
        path
    }

    /// Reads one tree of a `use` declaration.
    fn use_tree(&mut self, before: &[String]) {
        let sign = |reader: &Self, c| reader.tokens.get(reader.at).is_some_and(|token| token.is(c));
        let separator = |reader: &Self| {
            reader.tokens.get(reader.at).is_some_and(|token| token.kind == Kind::Separator)
        };
        let start = self.at;
        if separator(self) {
            self.at += 1;
        }
        let line = self.tokens.get(self.at).map_or(0, |token| token.line);
        let mut path = before.to_vec();
        path.append(&mut self.segments());
        if separator(self) {
            self.at += 1;
        }
        if sign(self, '{') {
            let end = after_group(self.tokens, self.at);
            self.at += 1;
            while self.at + 1 < end {
                self.use_tree(&path);
                if sign(self, ',') {
                    self.at += 1;
                }
            }
            self.at = end;
            return;
        }
        if sign(self, '*') {
            self.at += 1;
        }
        if self.tokens.get(self.at).is_some_and(|token| token.is_name("as")) {
            self.at += 2;
        }
        if !path.is_empty() {
            self.mention(line, path);
        }
        // Whatever this was, go on after it.
        self.at = self.at.max(start + 1);
    }

    /// Notes a path, told from `crate` on when it lies within the crate.
    fn mention(&mut self, line: usize, path: Vec<String>) {
        let mut module = self.module.clone();
        let mut rest = path.as_slice();
        let mut within = true;
        match rest.first().map(String::as_str) {
            Some("crate") => {
                module = vec!["crate".to_owned()];
                rest = &rest[1..];
            }
            Some("self") => rest = &rest[1..],
            Some("super") => {
                while rest.first().is_some_and(|name| name == "super") {
                    module.pop();
                    rest = &rest[1..];
                }
            }
            Some(name) => within = self.children.iter().any(|child| child == name),
            None => return,
        }
        if within {
            // `self` in braces stands for the module before it.
            module.extend(rest.iter().filter(|name| *name != "self").cloned());
            self.paths.push((line, module));
        } else {
            self.paths.push((line, path));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn paths(source: &str) -> Vec<String> {
        let module = ["crate", "meter", "level"].map(str::to_owned);
        let mentions = mentions(source, &module);
        mentions
            .paths
            .into_iter()
            .map(|(line, path)| format!("{line} {}", path.join("::")))
            .collect()
    }

    #[test]
    fn use_trees_are_unfolded() {
        assert_eq!(
            paths(
                "use crate::{units::{self, db as decibel}, filter::*};\nuse std::f64::consts::PI;\n\
                 pub(crate) use super::{cohesion, super::curve::Curve};\nuse self::inner::X;"
            ),
            [
                "1 crate::units",
                "1 crate::units::db",
                "1 crate::filter",
                "2 std::f64::consts::PI",
                "3 crate::meter::cohesion",
                "3 crate::curve::Curve",
                "4 crate::meter::level::inner::X",
            ]
        );
    }

    #[test]
    fn paths_in_code_are_seen() {
        assert_eq!(
            paths(
                "fn f(x: crate::frame::Lane) -> impl Fn() + use<'_> {\n  egui::Ui::new::<u8>(1.0)\n}"
            ),
            ["1 crate::frame::Lane", "2 egui::Ui::new"]
        );
        assert_eq!(
            paths("macro_rules! m { () => { $crate::ramp::Ramp } }"),
            ["1 crate::ramp::Ramp"]
        );
    }

    #[test]
    fn comments_and_literals_are_not() {
        let source = r##"
            /// See [`crate::a::A`]. /* crate::b */ " crate::c
            /* crate::d /* nested crate::e */ crate::f */
            const S: &str = "crate::g \" crate::h"; // crate::i
            const R: &str = r#"crate::j " crate::k"#;
            const C: [char; 3] = ['"', '\'', '\\']; fn l<'a>(x: &'a str) -> &'a str { b"crate::m"; x }
            use crate::real::Thing;
        "##;
        assert_eq!(paths(source), ["7 crate::real::Thing"]);
    }

    #[test]
    fn tests_are_left_out() {
        let source = "
            #[cfg(test)]
            #[allow(unused)]
            mod tests { use crate::a::A; fn f() { { crate::b::B; } } }
            #[cfg(test)] use crate::{c::C, d::D};
            #[cfg(all(test, unix))] fn g() -> [u8; 3] { crate::e::E }
            #[cfg(not(test))] use crate::seen::A;
            struct S { #[cfg(test)] t: crate::f::F, u: crate::seen::B }
            #[cfg(test)] mod elsewhere;
            use crate::seen::C;
        ";
        assert_eq!(paths(source), ["7 crate::seen::A", "8 crate::seen::B", "10 crate::seen::C"]);
        let module = ["crate".to_owned()];
        assert_eq!(mentions(source, &module).test_modules, [["crate", "elsewhere"]]);
        assert!(paths("#![cfg(test)]\nuse crate::a::A;").is_empty());
    }

    #[test]
    fn modules_within_a_file_shift_what_super_means() {
        assert_eq!(
            paths(
                "mod inner { use super::A; mod deep { use super::super::B; } }\nuse super::C; fn f() { inner::g() }"
            ),
            [
                "1 crate::meter::level::A",
                "1 crate::meter::level::B",
                "2 crate::meter::C",
                "2 crate::meter::level::inner::g",
            ]
        );
    }
}
