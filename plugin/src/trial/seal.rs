//! The sealed key of a set: the order, not to be read by looking.
//!
//! What opens the seal lies in the same file, because the page has to open it by itself. So it keeps
//! the order from a glance, a search and a listing, not from somebody who sets out to know it. Beside
//! it stands a commitment, a hash of what is sealed: an order that was exchanged or damaged afterwards
//! no longer fits the commitment that was printed when the set was made, nor the answers.

use rand::{CryptoRng, RngExt};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::plan::{Kind, Plan, PlanError, Side};

const FORMAT: &str = "tenon trial key";
/// Version of the files. Rises when a file stops being readable by the code before it.
const VERSION: u32 = 1;
const NOTE: &str = "Sealed against a glance, not against somebody who sets out to know. \
                    Finish the trial on the page first; tenon trial score opens it.";

/// What is sealed: what nobody is to know before the end.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Secret {
    /// For every trial, which file X is, or which is on button 1.
    pub(super) order: Vec<Side>,
    /// Which side the first file is.
    pub(super) first_file: Side,
    /// How much louder after is than before, in LU.
    pub(super) loudness_difference_lu: f64,
}

/// A key file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Key {
    format: String,
    version: u32,
    note: String,
    /// What is asked.
    pub(super) kind: Kind,
    /// How many trials were fixed.
    pub(super) trials: u32,
    /// Name of the first file given to the program.
    pub(super) before: String,
    /// Name of the second one.
    pub(super) after: String,
    /// Hash of what is sealed, in hexadecimal digits.
    pub(super) commitment: String,
    key: String,
    sealed: String,
}

/// What is sealed, as text. Every order gives a text of the same length.
#[derive(Serialize, Deserialize)]
struct Written {
    order: String,
    first_file: String,
    loudness_difference_lu: f64,
}

/// Why a key does not open.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SealError {
    /// It is no key of ours.
    NotAKey(String),
    /// A later version wrote it.
    Newer(u32),
    /// What is in it does not fit its commitment.
    Broken,
}

impl std::fmt::Display for SealError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NotAKey(why) => write!(
                f,
                "is no key of a trial ({why}); name the folder of a set, or make the set anew"
            ),
            Self::Newer(version) => write!(
                f,
                "is of version {version}, this program reads up to {VERSION}; install the newer one"
            ),
            Self::Broken => write!(
                f,
                "does not fit its own commitment; it was altered or damaged, so make the set anew"
            ),
        }
    }
}

impl std::error::Error for SealError {}

impl Key {
    /// Seals the order of a plan, with a key of its own.
    pub(super) fn seal(
        plan: &Plan,
        first_file: Side,
        loudness_difference_lu: f64,
        names: [String; 2],
        random: &mut impl CryptoRng,
    ) -> Self {
        let letter = |side: &Side| if *side == Side::First { '1' } else { '2' };
        let written = Written {
            order: plan.hidden().iter().map(letter).collect(),
            first_file: if first_file == Side::First { "before" } else { "after " }.to_owned(),
            loudness_difference_lu,
        };
        // Cannot fail: the figure is finite and the keys are texts.
        let text = serde_json::to_string(&written).unwrap_or_default();
        let key: [u8; 32] = random.random();
        let [before, after] = names;
        Self {
            format: FORMAT.to_owned(),
            version: VERSION,
            note: NOTE.to_owned(),
            kind: plan.kind(),
            trials: plan.trials(),
            before,
            after,
            commitment: hex(&commitment(&key, text.as_bytes())),
            key: hex(&key),
            sealed: hex(&masked(&key, text.as_bytes())),
        }
    }

    /// The key as it is written.
    pub(super) fn to_text(&self) -> String {
        // Cannot fail: every key is a text.
        let mut text = serde_json::to_string_pretty(self).unwrap_or_default();
        text.push('\n');
        text
    }

    /// Reads a key, still sealed.
    pub(super) fn from_text(text: &str) -> Result<Self, SealError> {
        let not = |error: serde_json::Error| SealError::NotAKey(error.to_string());
        let key: Self = serde_json::from_str(text).map_err(not)?;
        if key.format != FORMAT {
            return Err(SealError::NotAKey(format!("its format is {:?}", key.format)));
        }
        if key.version > VERSION {
            return Err(SealError::Newer(key.version));
        }
        Ok(key)
    }

    /// Opens the seal.
    pub(super) fn open(&self) -> Result<Secret, SealError> {
        let key = unhex(&self.key).ok_or(SealError::Broken)?;
        let sealed = unhex(&self.sealed).ok_or(SealError::Broken)?;
        let text = masked(&key, &sealed);
        if hex(&commitment(&key, &text)) != self.commitment {
            return Err(SealError::Broken);
        }
        let written: Written = serde_json::from_slice(&text).map_err(|_| SealError::Broken)?;
        let side = |letter| match letter {
            '1' => Ok(Side::First),
            '2' => Ok(Side::Second),
            _ => Err(SealError::Broken),
        };
        let order = written.order.chars().map(side).collect::<Result<Vec<_>, _>>()?;
        if order.len() as u32 != self.trials {
            return Err(SealError::Broken);
        }
        let first_file =
            if written.first_file.trim() == "before" { Side::First } else { Side::Second };
        Ok(Secret { order, first_file, loudness_difference_lu: written.loudness_difference_lu })
    }
}

impl Secret {
    /// The side that a file is; `file` is first or second of the folder.
    pub(super) fn side_of(&self, file: Side) -> Side {
        if file == Side::First { self.first_file } else { self.first_file.other() }
    }

    /// The plan in terms of before and after.
    pub(super) fn plan(&self, kind: Kind) -> Result<Plan, PlanError> {
        Plan::of(kind, self.order.iter().map(|file| self.side_of(*file)).collect())
    }
}

/// Adds a stream from the key: SHA-256 over the key and a counter of 32 bits, most significant byte
/// first, one digest after the other. Twice gives the bytes back.
fn masked(key: &[u8], bytes: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(bytes.len());
    for (counter, block) in (0_u32..).zip(bytes.chunks(32)) {
        let stream = Sha256::new().chain_update(key).chain_update(counter.to_be_bytes()).finalize();
        out.extend(block.iter().zip(stream).map(|(byte, mask)| byte ^ mask));
    }
    out
}

/// SHA-256 over the key and what is sealed. The text is longer than any counter, so the stream gives
/// nothing of it away.
fn commitment(key: &[u8], text: &[u8]) -> Vec<u8> {
    Sha256::new().chain_update(key).chain_update(text).finalize().to_vec()
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn unhex(text: &str) -> Option<Vec<u8>> {
    let digits: Vec<u32> = text.chars().map(|c| c.to_digit(16)).collect::<Option<_>>()?;
    let pairs = digits.chunks(2).map(|pair| match pair {
        [high, low] => Some((16 * high + low) as u8),
        _ => None,
    });
    pairs.collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand::rngs::StdRng;

    fn sealed(seed: u64) -> (Plan, Side, Key) {
        let mut random = StdRng::seed_from_u64(seed);
        let plan = Plan::draw(Kind::Difference, 16, &mut random).unwrap();
        let first = Side::draw(&mut random);
        let names = ["a.wav".to_owned(), "b.wav".to_owned()];
        let key = Key::seal(&plan, first, -0.25, names, &mut random);
        (plan, first, key)
    }

    #[test]
    fn what_was_sealed_comes_back() {
        for seed in 0..20 {
            let (plan, first, key) = sealed(seed);
            let secret = Key::from_text(&key.to_text()).unwrap().open().unwrap();
            assert_eq!(secret.order, plan.hidden());
            assert_eq!((secret.first_file, secret.loudness_difference_lu), (first, -0.25));
            let in_sides = secret.plan(Kind::Difference).unwrap();
            for (file, side) in plan.hidden().iter().zip(in_sides.hidden()) {
                assert_eq!(*side == *file, first == Side::First);
            }
        }
    }

    #[test]
    fn the_seal_is_as_long_whatever_it_holds_and_shows_none_of_it() {
        let texts: Vec<String> = (0..50).map(|seed| sealed(seed).2.to_text()).collect();
        assert!(texts.iter().all(|text| text.len() == texts[0].len()));
        for (seed, text) in (0..).zip(&texts) {
            let order: String = sealed(seed)
                .0
                .hidden()
                .iter()
                .map(|side| if *side == Side::First { '1' } else { '2' })
                .collect();
            assert!(!text.contains(&order));
        }
        // Every bit of the seal is set in about half of the keys: 50 draws, five deviations.
        let bytes: Vec<Vec<u8>> =
            (0..50).map(|seed| unhex(&sealed(seed).2.sealed).unwrap()).collect();
        for bit in 0..8 * bytes[0].len() {
            let set = bytes.iter().filter(|bytes| bytes[bit / 8] >> (bit % 8) & 1 == 1).count();
            assert!((8..=42).contains(&set), "bit {bit}: {set} of 50");
        }
    }

    #[test]
    fn another_order_does_not_fit_the_commitment() {
        let (_, _, key) = sealed(1);
        let mut flipped = unhex(&key.sealed).unwrap();
        // '1' and '2' differ in both low bits; the order begins behind {"order":".
        flipped[10] ^= 3;
        let altered = Key { sealed: hex(&flipped), ..key.clone() };
        assert_eq!(altered.open(), Err(SealError::Broken));
        let (_, _, other) = sealed(2);
        assert_eq!(Key { key: other.key, ..key.clone() }.open(), Err(SealError::Broken));
        assert_eq!(Key { trials: 17, ..key.clone() }.open(), Err(SealError::Broken));
        assert_eq!(Key { sealed: "zz".to_owned(), ..key }.open(), Err(SealError::Broken));
    }

    #[test]
    fn what_is_no_key_is_refused() {
        let text = sealed(1).2.to_text();
        let refused = |text: &str| Key::from_text(text).unwrap_err();
        assert_eq!(
            refused(&text.replace(r#""version": 1"#, r#""version": 9"#)),
            SealError::Newer(9)
        );
        assert!(matches!(refused(&text.replace(FORMAT, "other")), SealError::NotAKey(_)));
        assert!(matches!(refused(&text[..100]), SealError::NotAKey(_)));
    }
}
