//! What the plug-in and the program are made of: the licences of all packages that are linked into
//! them, and the list of these packages for machines (CycloneDX 1.5). Both come from cargo and
//! the packages' own files, so they are those of the very build.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use serde_json::{Value, json};

use crate::workspace;

/// The package whose library and program are shipped.
const SHIPPED: &str = "tenon";

/// A package that is linked in.
struct Package {
    name: String,
    version: String,
    /// SPDX expression, as the package gives it.
    licence: String,
    authors: Vec<String>,
    /// Where its source is kept, if it says so.
    repository: String,
    /// Checksum of its archive in the registry, by `Cargo.lock`; none when it is ours.
    sha256: Option<String>,
    folder: PathBuf,
}

/// The folder of the licences that go with a bundle, in it or beside it.
pub(crate) const FOLDER: &str = "Tenon-licences";

/// Makes a folder of all licences: our own, those of others in `THIRD-PARTY.txt`, that of the
/// typefaces, and the notices of Rust's standard library.
///
/// # Errors
/// When a package gives no licence that is known here and has no text of one.
pub(crate) fn write(folder: &Path) -> Result<()> {
    // Nothing of another toolchain may be left in it.
    workspace::remove(folder)?;
    fs::create_dir_all(folder).with_context(|| format!("{} cannot be made", folder.display()))?;
    let notices = workspace::sysroot()?.join(RUST_NOTICES);
    put(&folder.join("THIRD-PARTY.txt"), &third_party(&packages()?, notices.exists())?)?;
    for own in ["LICENSE-MIT", "LICENSE-APACHE"] {
        put(&folder.join(own), &read(&workspace::root().join(own))?)?;
    }
    let fonts = read(&workspace::root().join("plugin/fonts/LICENSE.txt"))?;
    put(&folder.join("LICENSE-FONTS.txt"), &fonts)?;
    if !notices.exists() {
        println!(
            "note: this Rust has no {RUST_NOTICES}; what is made with it is not to be given away"
        );
        return Ok(());
    }
    put(&folder.join(NOTICES), &read(&notices)?)
}

/// Makes sure that licences are whole enough to be given away.
///
/// # Errors
/// When the notices of Rust's standard library are missing.
pub(crate) fn check(folder: &Path) -> Result<()> {
    if !folder.join(NOTICES).exists() {
        bail!(
            "this Rust keeps no {RUST_NOTICES}, and the notices in it have to go with what is given \
             to people; build with a toolchain that rustup installed"
        );
    }
    Ok(())
}

/// Writes the list of packages, CycloneDX 1.5 in JSON.
///
/// # Errors
/// When cargo does not know the packages.
pub(crate) fn write_bill_of_materials(file: &Path) -> Result<()> {
    put(file, &bill_of_materials(&packages()?)?)
}

/// The notices of Rust's standard library among the licences.
const NOTICES: &str = "RUST-LIBRARY.html";

/// Where Rust keeps the notices of its standard library, which is linked in. A system's own Rust may
/// keep them elsewhere.
const RUST_NOTICES: &str = "share/doc/rust/COPYRIGHT-library.html";

/// The packages linked into what is shipped, for the system this runs on, in the order of their names.
fn packages() -> Result<Vec<Package>> {
    let targets = targets()?;
    let linked = linked(&targets)?;
    let filter = targets.iter().flat_map(|target| ["--filter-platform", target]);
    let metadata = workspace::metadata(&filter.collect::<Vec<_>>())?;
    let checksums = checksums(&read(&workspace::root().join("Cargo.lock"))?);
    let mut packages = Vec::new();
    for package in metadata["packages"].as_array().into_iter().flatten() {
        let (name, version) = (text(&package["name"]), text(&package["version"]));
        if !linked.contains(&(name.clone(), version.clone())) {
            continue;
        }
        let manifest = PathBuf::from(text(&package["manifest_path"]));
        packages.push(Package {
            licence: text(&package["license"]),
            authors: package["authors"].as_array().into_iter().flatten().map(text).collect(),
            repository: text(&package["repository"]),
            sha256: checksums.get(&(name.clone(), version.clone())).cloned(),
            folder: manifest.parent().unwrap_or(Path::new("")).to_owned(),
            name,
            version,
        });
    }
    if packages.len() != linked.len() {
        bail!(
            "cargo tree names {} packages, of which metadata has {}",
            linked.len(),
            packages.len()
        );
    }
    packages.sort_by(|a, b| (&a.name, &a.version).cmp(&(&b.name, &b.version)));
    Ok(packages)
}

/// The systems that bundles made here are for. On macOS one file serves both processors.
fn targets() -> Result<Vec<String>> {
    if cfg!(target_os = "macos") {
        return Ok(["x86_64-apple-darwin", "aarch64-apple-darwin"].map(str::to_owned).to_vec());
    }
    Ok(vec![workspace::host()?])
}

/// Names and versions of what is linked in. `cargo tree`, because `cargo metadata` adds what only tests
/// and tasks ask of the same packages. Neither what builds the others nor what runs in the compiler is
/// linked in.
fn linked(targets: &[String]) -> Result<BTreeSet<(String, String)>> {
    let mut tree = workspace::cargo();
    tree.args(["tree", "--package", SHIPPED, "--edges", "normal,no-proc-macro"]);
    tree.args(["--prefix", "none", "--format", "{p}"]);
    tree.args(targets.iter().flat_map(|target| ["--target", target]));
    let output = tree.output().context("cargo could not be started")?;
    if !output.status.success() {
        bail!("cargo tree failed:\n{}", String::from_utf8_lossy(&output.stderr));
    }
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let linked = text.lines().filter_map(|line| {
        // "name v1.2.3", and a folder behind it or a mark that it was there before.
        let mut words = line.split(' ');
        Some((words.next()?.to_owned(), words.next()?.strip_prefix('v')?.to_owned()))
    });
    Ok(linked.collect())
}

fn text(value: &Value) -> String {
    value.as_str().unwrap_or_default().to_owned()
}

fn read(file: &Path) -> Result<String> {
    fs::read_to_string(file).with_context(|| format!("{} cannot be read", file.display()))
}

fn put(file: &Path, content: &str) -> Result<()> {
    fs::write(file, content).with_context(|| format!("{} cannot be written", file.display()))
}

impl Package {
    /// Whether others made it.
    fn is_foreign(&self) -> bool {
        !self.name.starts_with(SHIPPED)
    }
}

/// The checksums that `Cargo.lock` keeps, by name and version.
fn checksums(lock: &str) -> BTreeMap<(String, String), String> {
    let mut checksums = BTreeMap::new();
    for entry in lock.split("[[package]]") {
        let value = |key: &str| {
            let line = entry.lines().find_map(|line| line.strip_prefix(key))?;
            Some(line.strip_prefix(" = ")?.trim_matches('"').to_owned())
        };
        if let (Some(name), Some(version), Some(sum)) =
            (value("name"), value("version"), value("checksum"))
        {
            checksums.insert((name, version), sum);
        }
    }
    checksums
}

/// The permission notice of the ISC licence, for packages that name it without its text.
const ISC: &str = "\
Permission to use, copy, modify, and/or distribute this software for any purpose with or without fee
is hereby granted, provided that the above copyright notice and this permission notice appear in all
copies.

THE SOFTWARE IS PROVIDED \"AS IS\" AND THE AUTHOR DISCLAIMS ALL WARRANTIES WITH REGARD TO THIS SOFTWARE
INCLUDING ALL IMPLIED WARRANTIES OF MERCHANTABILITY AND FITNESS. IN NO EVENT SHALL THE AUTHOR BE
LIABLE FOR ANY SPECIAL, DIRECT, INDIRECT, OR CONSEQUENTIAL DAMAGES OR ANY DAMAGES WHATSOEVER RESULTING
FROM LOSS OF USE, DATA OR PROFITS, WHETHER IN AN ACTION OF CONTRACT, NEGLIGENCE OR OTHER TORTIOUS
ACTION, ARISING OUT OF OR IN CONNECTION WITH THE USE OR PERFORMANCE OF THIS SOFTWARE.
";

/// All licences for people: first who is in it, then each text once with those it is for.
fn third_party(packages: &[Package], has_notices: bool) -> Result<String> {
    let notices =
        if has_notices { format!(", with\nthe notices in {NOTICES}") } else { String::new() };
    let mut page = format!(
        "Tenon is made with the packages below and with the Rust standard library (MIT OR Apache-2.0{notices}).\n\
         Where a licence leaves a choice and the package has no text of its own, the Apache License 2.0\n\
         is chosen. The source of each package, as it was used, is at\n\
         https://crates.io/crates/NAME/VERSION; what differs in egui-baseview and in nice-plug is told in\n\
         plugin/vendor of the source of Tenon.\n\n",
    );
    let mut texts: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for package in packages.iter().filter(|package| package.is_foreign()) {
        let Package { name, version, licence, authors, .. } = package;
        let _ = writeln!(page, "{name} {version}: {licence}");
        let mut found = Vec::new();
        find_texts(&package.folder, &mut found)?;
        for file in &found {
            // By bytes: a few are not UTF-8.
            let bytes = fs::read(file).with_context(|| format!("{}", file.display()))?;
            let text = String::from_utf8_lossy(&bytes).replace("\r\n", "\n");
            let holders = texts.entry(text.trim().to_owned()).or_default();
            let holder = format!("{name} {version}");
            if holders.last() != Some(&holder) {
                holders.push(holder);
            }
        }
        if !found.is_empty() {
            continue;
        }
        let text = match licence.as_str() {
            "ISC" => format!("ISC License\n\nCopyright {}\n\n{ISC}", holders(name, authors)),
            choice if choice.contains("Apache-2.0") && !choice.contains(" AND ") => {
                read(&workspace::root().join("LICENSE-APACHE"))?
            }
            other => {
                bail!("{name} {version} has no licence text, and {other:?} is none known here")
            }
        };
        texts.entry(text.trim().to_owned()).or_default().push(format!("{name} {version}"));
    }
    // Those for many first.
    let mut texts: Vec<_> = texts.into_iter().collect();
    texts.sort_by_key(|(_, holders)| std::cmp::Reverse(holders.len()));
    for (text, holders) in texts {
        let _ = write!(page, "\n{}\nFor {}:\n\n{text}\n", "-".repeat(78), holders.join(", "));
    }
    Ok(page)
}

fn holders(name: &str, authors: &[String]) -> String {
    if authors.is_empty() { format!("the authors of {name}") } else { authors.join(", ") }
}

/// Collects the files of a package that hold a licence, in the order of their paths.
fn find_texts(folder: &Path, found: &mut Vec<PathBuf>) -> Result<()> {
    let entries =
        fs::read_dir(folder).with_context(|| format!("{} cannot be read", folder.display()))?;
    let mut paths = entries.map(|entry| Ok(entry?.path())).collect::<Result<Vec<_>>>()?;
    paths.sort();
    for path in paths {
        if path.is_dir() {
            find_texts(&path, found)?;
        } else if path.file_name().is_some_and(|name| is_licence(&name.to_string_lossy())) {
            found.push(path);
        }
    }
    Ok(())
}

fn is_licence(file: &str) -> bool {
    let name = file.to_lowercase();
    let begins = ["license", "licence", "copying", "copyright", "notice", "unlicense"];
    let fonts = ["ofl.txt", "ufl.txt", "hack-regular.txt"];
    !name.ends_with(".rs")
        && (begins.iter().any(|word| name.starts_with(word))
            || name.ends_with("license.txt")
            || fonts.contains(&name.as_str()))
}

/// The same for machines.
fn bill_of_materials(packages: &[Package]) -> Result<String> {
    let component = |package: &Package| {
        let Package { name, version, licence, .. } = package;
        // Cargo still takes a slash for OR, SPDX does not.
        let expression = licence.replace(" / ", "/").replace('/', " OR ");
        let mut component = json!({
            "type": "library",
            "name": name,
            "version": version,
            "purl": format!("pkg:cargo/{name}@{version}"),
            "licenses": [{ "expression": expression }],
        });
        if let Some(sha256) = &package.sha256 {
            component["hashes"] = json!([{ "alg": "SHA-256", "content": sha256 }]);
        }
        if !package.repository.is_empty() {
            let reference = json!({ "type": "vcs", "url": package.repository });
            component["externalReferences"] = json!([reference]);
        }
        component
    };
    let whole = packages.iter().find(|package| package.name == SHIPPED);
    let mut whole = component(whole.context("the plug-in is not among its own packages")?);
    whole["type"] = json!("application");
    let parts = packages.iter().filter(|package| package.name != SHIPPED);
    let bill = json!({
        "bomFormat": "CycloneDX",
        "specVersion": "1.5",
        "version": 1,
        "metadata": { "component": whole },
        "components": parts.map(component).collect::<Vec<_>>(),
    });
    Ok(serde_json::to_string_pretty(&bill)? + "\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_linked_package_has_a_licence_text_and_a_checksum() {
        let packages = packages().unwrap();
        assert!(packages.len() > 50, "only {} packages", packages.len());
        for ours in ["tenon", "tenon-dsp"] {
            assert!(packages.iter().any(|p| p.name == ours && p.sha256.is_none()), "{ours}");
        }
        let foreign = packages.iter().filter(|package| package.is_foreign());
        // Those that lie in our own tree are known by its revision.
        let has_sum = |p: &Package| p.sha256.as_ref().is_some_and(|sum| sum.len() == 64);
        let without: Vec<_> = foreign.clone().filter(|p| !has_sum(p)).map(|p| &*p.name).collect();
        assert_eq!(without, ["egui-baseview", "nice-plug"]);
        // Linked in, used to build, used to test.
        let has = |name: &str| packages.iter().any(|package| package.name == name);
        assert!(has("egui") && has("symphonia") && !has("proptest") && !has("serde_derive"));
        // Asked for by the tests' hosts alone.
        assert!(!has("winit"));
        let page = third_party(&packages, true).unwrap();
        assert!(
            page.contains(NOTICES) && !third_party(&packages, false).unwrap().contains(NOTICES)
        );
        for package in foreign {
            assert!(page.contains(&format!("{} {}", package.name, package.version)));
        }
        for words in ["Mozilla Public License Version 2.0", "ISC License", "SIL OPEN FONT LICENSE"]
        {
            assert!(page.contains(words), "{words} is missing");
        }
    }

    #[test]
    fn the_bill_of_materials_is_the_same_each_time() {
        let packages = packages().unwrap();
        let bill = bill_of_materials(&packages).unwrap();
        assert_eq!(bill, bill_of_materials(&super::packages().unwrap()).unwrap());
        let read: Value = serde_json::from_str(&bill).unwrap();
        assert_eq!(read["metadata"]["component"]["name"], "tenon");
        assert_eq!(read["components"].as_array().unwrap().len(), packages.len() - 1);
        assert!(!bill.contains("\"expression\": \"\""), "a package without a licence");
        assert!(!bill.contains("MIT/"), "no SPDX expression");
    }
}
