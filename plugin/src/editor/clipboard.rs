//! Reading the system's clipboard. Writing goes through the window.

use copypasta::{ClipboardContext, ClipboardProvider};

/// Longest text taken from the clipboard, in bytes: far longer than any settings.
const LONGEST: usize = 64 * 1024;

/// The text on the clipboard.
///
/// # Errors
/// Says why there is none.
pub(crate) fn text() -> Result<String, String> {
    let mut clipboard = ClipboardContext::new().map_err(|error| error.to_string())?;
    let text = clipboard.get_contents().map_err(|error| error.to_string())?;
    match text.len() {
        0 => Err("the clipboard holds no text".to_owned()),
        length if length > LONGEST => Err("the clipboard holds far too much text".to_owned()),
        _ => Ok(text),
    }
}
