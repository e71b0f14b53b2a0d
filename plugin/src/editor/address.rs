//! Addresses of files, as file managers give and take them: RFC 8089, with all but letters, digits and
//! few signs as percent-encoded bytes (RFC 3986). A space, a `%` or an umlaut would otherwise name
//! another file, or none.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, percent_decode_str, percent_encode};

/// What is written as it is: the unreserved characters, what parts folders, and the colon of a drive.
const PLAIN: &AsciiSet =
    &NON_ALPHANUMERIC.remove(b'-').remove(b'.').remove(b'_').remove(b'~').remove(b'/').remove(b':');

/// The address of a file or folder that is named from the root.
pub(crate) fn of(path: &Path) -> String {
    let path = percent_encode(&bytes(path), PLAIN).to_string();
    match path.as_bytes() {
        // The share of a machine.
        [b'/', b'/', ..] if cfg!(windows) => format!("file:{path}"),
        [b'/', ..] => format!("file://{path}"),
        // A drive.
        _ => format!("file:///{path}"),
    }
}

/// The file that an address names; none when it is no address of a file on this machine.
pub(crate) fn file(address: &str) -> Option<PathBuf> {
    let (scheme, rest) = address.split_once(':')?;
    if !scheme.eq_ignore_ascii_case("file") {
        return None;
    }
    let path = match rest.strip_prefix("//") {
        // Between the slashes stands a machine; none means this one.
        Some(rest) => match rest.split_at(rest.find('/')?) {
            ("", path) => path,
            (machine, path) if machine.eq_ignore_ascii_case("localhost") => path,
            _ => return None,
        },
        None => rest,
    };
    let file = named(percent_decode_str(path).collect())?;
    file.is_absolute().then_some(file)
}

#[cfg(unix)]
fn bytes(path: &Path) -> Vec<u8> {
    use std::os::unix::ffi::OsStrExt;
    path.as_os_str().as_bytes().to_vec()
}

#[cfg(unix)]
fn named(bytes: Vec<u8>) -> Option<PathBuf> {
    use std::os::unix::ffi::OsStringExt;
    Some(OsString::from_vec(bytes).into())
}

/// Folders are parted by a slash in an address, whatever parts them here.
#[cfg(not(unix))]
fn bytes(path: &Path) -> Vec<u8> {
    path.to_string_lossy().replace('\\', "/").into_bytes()
}

#[cfg(not(unix))]
fn named(bytes: Vec<u8>) -> Option<PathBuf> {
    let path = String::from_utf8(bytes).ok()?;
    // "/C:/Music" is on a drive.
    let on_a_drive = path.as_bytes().get(2) == Some(&b':');
    let path = if on_a_drive { &path[1..] } else { &path };
    Some(OsString::from(path.replace('/', "\\")).into())
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::os::unix::ffi::OsStringExt;

    #[test]
    fn spaces_percent_signs_and_umlauts_are_encoded_and_come_back() {
        for (path, address) in [
            ("/music/anna", "file:///music/anna"),
            ("/My Songs/50 % wet", "file:///My%20Songs/50%20%25%20wet"),
            ("/Müller/b%20c", "file:///M%C3%BCller/b%2520c"),
            ("/a#b?c+d&e;f", "file:///a%23b%3Fc%2Bd%26e%3Bf"),
        ] {
            assert_eq!(of(Path::new(path)), address);
            assert_eq!(file(address), Some(path.into()));
        }
    }

    #[test]
    fn addresses_are_read_as_the_standard_has_them() {
        for (address, path) in [
            ("file://localhost/a%20b", Some("/a b")),
            ("FILE:/a%c3%bc", Some("/aü")),
            // What is not encoded, as careless programs write it.
            ("file:///a b/ü", Some("/a b/ü")),
            // Neither two digits nor a sign of its own.
            ("file:///100%", Some("/100%")),
            ("file://elsewhere/a", None),
            ("file:a", None),
            ("https://localhost/a", None),
            ("/a%20b", None),
        ] {
            assert_eq!(file(address), path.map(PathBuf::from), "{address}");
        }
    }

    proptest! {
        #[test]
        fn any_path_comes_back(name in prop::collection::vec(1u8..=255, 0..40)) {
            let path = PathBuf::from(OsString::from_vec([b"/".to_vec(), name].concat()));
            prop_assert!(of(&path).is_ascii());
            prop_assert_eq!(file(&of(&path)), Some(path));
        }
    }
}
