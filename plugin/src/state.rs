//! What is saved with a session, and what is refused when it comes back.
//!
//! What the audio thread needs of it can be read and written by that thread, the host's threads and
//! the editor at the same time: each is one atomic number, so nobody waits and nobody sees half of a
//! change. Knows nothing of the editor.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};

use nice_plug::params::persist::PersistentField;
use nice_plug::plugin::ParamValue;
use nice_plug::prelude::*;
use serde::{Deserialize, Serialize};
use tenon_dsp::{Control, MATCH_LIMIT_DB, MatchMemory, MatchState, Settings};

use crate::params::{BusParams, ParamRef};
use crate::presets::{from_lines, to_lines};

/// Marks a saved state as ours, whichever host or format carried it.
const PLUGIN: &str = "audio.tenon.bus";
/// Version of what is saved. Rises when a state stops being readable by the code before it.
const VERSION: u32 = 2;

/// Controls that came with a version after the first; older states get their defaults.
const LATER: [(u32, Control); 3] =
    [(2, Control::Lookahead), (2, Control::AttackNote), (2, Control::ReleaseNote)];

/// Everything saved with a session.
#[derive(Params, Default)]
pub(crate) struct BusState {
    /// The parameters.
    #[nested]
    pub(crate) params: BusParams,
    #[persist = "format"]
    format: FormatMark,
    /// The loudness match, so that a reopened song starts matched.
    #[persist = "match"]
    pub(crate) loudness_match: SharedMatch,
    /// Size and zoom of the editor.
    #[persist = "editor"]
    pub(crate) view: SharedView,
    /// A and B.
    #[persist = "slots"]
    pub(crate) slots: SharedSlots,
}

/// Whose state it is, and of which version.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Format {
    plugin: String,
    version: u32,
}

/// Writes [`Format`] into every state. What is read has been judged by [`refuse_foreign`].
#[derive(Default)]
struct FormatMark;

impl PersistentField<'_, Format> for FormatMark {
    fn set(&self, _judged: Format) {}

    fn map<F, R>(&self, f: F) -> R
    where
        F: Fn(&Format) -> R,
    {
        f(&Format { plugin: PLUGIN.to_owned(), version: VERSION })
    }
}

/// The loudness match as it is saved.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct SavedMatch {
    gain_db: f32,
    held: bool,
}

impl SavedMatch {
    fn of(memory: MatchMemory) -> Self {
        Self { gain_db: memory.gain_db, held: memory.state == MatchState::Held }
    }

    fn memory(&self) -> MatchMemory {
        let state = if self.held { MatchState::Held } else { MatchState::Learning };
        MatchMemory { gain_db: self.gain_db, state }
    }

    fn is_sound(&self) -> bool {
        self.gain_db.abs() <= MATCH_LIMIT_DB
    }
}

/// The match, shared between the engine that learns it and the host that saves and restores it.
///
/// The bits, from the lowest: 32 of gain, 1 for held, 31 that count the restores.
#[derive(Default)]
pub(crate) struct SharedMatch(AtomicU64);

/// Counts restores; two equal ones mean that nothing was restored in between.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Restores(u32);

impl Restores {
    const MASK: u32 = u32::MAX >> 1;

    fn next(self) -> Self {
        Self(self.0.wrapping_add(1) & Self::MASK)
    }
}

impl SharedMatch {
    const HELD: u64 = 1 << 32;

    fn pack(memory: MatchMemory, restores: Restores) -> u64 {
        let held = match memory.state {
            MatchState::Held => Self::HELD,
            MatchState::Learning => 0,
        };
        u64::from(memory.gain_db.to_bits()) | held | u64::from(restores.0) << 33
    }

    fn unpack(bits: u64) -> (MatchMemory, Restores) {
        let state = if bits & Self::HELD == 0 { MatchState::Learning } else { MatchState::Held };
        let gain_db = f32::from_bits(bits as u32);
        (MatchMemory { gain_db, state }, Restores((bits >> 33) as u32))
    }

    /// The match as of the last report or restore. Whoever sees a restore here also sees the
    /// parameters that were restored before it.
    pub(crate) fn get(&self) -> (MatchMemory, Restores) {
        Self::unpack(self.0.load(Ordering::Acquire))
    }

    /// Reports where the engine's match has come to. Does nothing when a restore has come in
    /// since `seen`: the engine has yet to take it up.
    pub(crate) fn report(&self, memory: MatchMemory, seen: Restores) {
        let current = self.0.load(Ordering::Relaxed);
        let bits = Self::pack(memory, seen);
        if Self::unpack(current).1 == seen && current != bits {
            // Fails only when a restore comes in just now, which then stands.
            let _ = self.0.compare_exchange(current, bits, Ordering::Release, Ordering::Relaxed);
        }
    }

    /// Puts a saved match in place for the engine to take up.
    pub(crate) fn restore(&self, memory: MatchMemory) {
        let _ = self.0.fetch_update(Ordering::AcqRel, Ordering::Relaxed, |bits| {
            Some(Self::pack(memory, Self::unpack(bits).1.next()))
        });
    }
}

impl PersistentField<'_, SavedMatch> for SharedMatch {
    fn set(&self, saved: SavedMatch) {
        self.restore(saved.memory());
    }

    fn map<F, R>(&self, f: F) -> R
    where
        F: Fn(&SavedMatch) -> R,
    {
        let (memory, _) = self.get();
        f(&SavedMatch::of(memory))
    }
}

/// One of the two settings that are compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub(crate) enum Slot {
    /// The first.
    #[default]
    A,
    /// The second.
    B,
}

impl Slot {
    /// The other one.
    pub(crate) fn other(self) -> Self {
        match self {
            Self::A => Self::B,
            Self::B => Self::A,
        }
    }
}

/// Which setting is heard, and the one that is not. What is heard is in the parameters.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Slots {
    /// The one that is heard.
    pub(crate) heard: Slot,
    /// The settings of the other; what one listens to counts for nothing here.
    pub(crate) other: Settings,
    /// The loudness match of the other.
    pub(crate) other_match: MatchMemory,
}

impl Default for Slots {
    fn default() -> Self {
        let other_match = MatchMemory { gain_db: 0.0, state: MatchState::Learning };
        Self { heard: Slot::default(), other: Settings::default(), other_match }
    }
}

/// [`Slots`] as they are saved.
#[derive(Serialize, Deserialize)]
struct SavedSlots {
    heard: Slot,
    /// One `id=value` a line.
    other: String,
    other_match: SavedMatch,
}

impl SavedSlots {
    /// None when the settings are not sound.
    fn slots(&self) -> Option<Slots> {
        let other = from_lines(&self.other, Settings::default()).ok()?;
        let other_match = self.other_match.is_sound().then(|| self.other_match.memory())?;
        Some(Slots { heard: self.heard, other, other_match })
    }
}

/// [`Slots`], shared between the editor and the host that saves them. The audio thread has no part
/// in it.
#[derive(Default)]
pub(crate) struct SharedSlots(Mutex<Slots>);

impl SharedSlots {
    /// The slots, for the moment.
    pub(crate) fn lock(&self) -> MutexGuard<'_, Slots> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl PersistentField<'_, SavedSlots> for SharedSlots {
    fn set(&self, saved: SavedSlots) {
        // What is not sound has been refused before.
        *self.lock() = saved.slots().unwrap_or_default();
    }

    fn map<F, R>(&self, f: F) -> R
    where
        F: Fn(&SavedSlots) -> R,
    {
        let slots = self.lock().clone();
        f(&SavedSlots {
            heard: slots.heard,
            other: to_lines(&slots.other),
            other_match: SavedMatch::of(slots.other_match),
        })
    }
}

/// Size, zoom and sheet of the editor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct View {
    /// Width in points, before zoom.
    pub(crate) width: u16,
    /// Height in points, before zoom.
    pub(crate) height: u16,
    /// Zoom on top of the system's scale, in per cent.
    pub(crate) zoom_percent: u16,
    /// The dark sheet.
    #[serde(default)]
    pub(crate) dark: bool,
}

impl View {
    /// Smallest width and height, in points.
    pub(crate) const MIN_SIZE: (u16, u16) = (720, 460);
    /// Largest width and height, in points.
    pub(crate) const MAX_SIZE: (u16, u16) = (7680, 4320);
    /// The zooms on offer, in per cent.
    pub(crate) const ZOOMS: [u16; 6] = [75, 100, 125, 150, 200, 250];

    fn is_sound(self) -> bool {
        (Self::MIN_SIZE.0..=Self::MAX_SIZE.0).contains(&self.width)
            && (Self::MIN_SIZE.1..=Self::MAX_SIZE.1).contains(&self.height)
            && Self::ZOOMS.contains(&self.zoom_percent)
    }
}

impl Default for View {
    fn default() -> Self {
        Self { width: 1120, height: 700, zoom_percent: 100, dark: false }
    }
}

/// [`View`], shared between the editor that changes it and the host that saves it. A restored one
/// shows the next time the editor opens.
pub(crate) struct SharedView(AtomicU64);

impl Default for SharedView {
    fn default() -> Self {
        Self(AtomicU64::new(Self::pack(View::default())))
    }
}

impl SharedView {
    fn pack(view: View) -> u64 {
        u64::from(view.width)
            | u64::from(view.height) << 16
            | u64::from(view.zoom_percent) << 32
            | u64::from(view.dark) << 48
    }

    /// The view to open with, and to save.
    pub(crate) fn get(&self) -> View {
        let bits = self.0.load(Ordering::Relaxed);
        View {
            width: bits as u16,
            height: (bits >> 16) as u16,
            zoom_percent: (bits >> 32) as u16,
            dark: bits >> 48 & 1 == 1,
        }
    }

    /// Remembers a view. One outside the limits of [`View`] is brought within them.
    pub(crate) fn put(&self, view: View) {
        let zoom = |percent: &&u16| percent.abs_diff(view.zoom_percent);
        let view = View {
            width: view.width.clamp(View::MIN_SIZE.0, View::MAX_SIZE.0),
            height: view.height.clamp(View::MIN_SIZE.1, View::MAX_SIZE.1),
            zoom_percent: *View::ZOOMS.iter().min_by_key(zoom).unwrap_or(&100),
            dark: view.dark,
        };
        self.0.store(Self::pack(view), Ordering::Relaxed);
    }
}

impl PersistentField<'_, View> for SharedView {
    fn set(&self, view: View) {
        self.put(view);
    }

    fn map<F, R>(&self, f: F) -> R
    where
        F: Fn(&View) -> R,
    {
        f(&self.get())
    }
}

/// Why a state is not taken up.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum StateError {
    /// It does not say that it is ours.
    Foreign,
    /// A later version of the plug-in wrote it.
    Newer {
        /// The version it is of.
        version: u32,
    },
    /// A parameter or field is absent, unknown, of the wrong kind or out of range.
    Unsound {
        /// Which one.
        name: String,
    },
}

impl std::fmt::Display for StateError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Foreign => write!(f, "the saved state belongs to another plug-in"),
            Self::Newer { version } => write!(
                f,
                "the saved state is of version {version}, this plug-in reads up to {VERSION}; \
                 install the newer plug-in"
            ),
            Self::Unsound { name } => {
                write!(f, "the saved state is damaged: {name} is missing, unknown or out of range")
            }
        }
    }
}

impl std::error::Error for StateError {}

/// Empties a state that is not sound, so that the running settings stay as they are: all of a
/// state is taken up or none of it.
///
/// The framework gives the plug-in no way to tell the host that it refused. What is no state at
/// all (empty, cut short, random bytes) the framework itself refuses, and tells the host.
pub(crate) fn refuse_foreign(state: &mut PluginState) {
    fill_in(state);
    if let Err(error) = judge(state) {
        nice_error!("Settings left as they are: {error}");
        state.params.clear();
        state.fields.clear();
    }
}

/// Gives a state of an earlier version the defaults of what it could not know.
fn fill_in(state: &mut PluginState) {
    let Some(format) = field::<Format>(state, "format") else { return };
    let params = BusParams::default();
    for (_, control) in LATER.into_iter().filter(|(since, _)| format.version < *since) {
        let value = match params.get(control) {
            ParamRef::Continuous(_, param) => ParamValue::F32(param.value()),
            ParamRef::Switch(param) => ParamValue::Bool(param.value()),
            ParamRef::KeySource(param) => id_of(param),
            ParamRef::Note(param) => id_of(param),
            ParamRef::Quality(param) => id_of(param),
            ParamRef::Listen(param) => id_of(param),
        };
        state.params.entry(control.spec().id.to_owned()).or_insert(value);
    }
}

fn id_of<T: Enum + PartialEq + 'static>(param: &EnumParam<T>) -> ParamValue {
    let ids = T::ids().unwrap_or_default();
    ParamValue::String(ids.get(param.value().to_index()).copied().unwrap_or_default().to_owned())
}

fn judge(state: &PluginState) -> Result<(), StateError> {
    let format: Format = field(state, "format").ok_or(StateError::Foreign)?;
    if format.plugin != PLUGIN {
        return Err(StateError::Foreign);
    }
    if format.version > VERSION {
        return Err(StateError::Newer { version: format.version });
    }
    let unsound = |name: &str| StateError::Unsound { name: name.to_owned() };
    let params = BusParams::default();
    for control in Control::ALL {
        let id = control.spec().id;
        let value = state.params.get(id).ok_or_else(|| unsound(id))?;
        if !is_value_of(params.get(control), value) {
            return Err(unsound(id));
        }
    }
    if let Some(id) = state.params.keys().find(|id| Control::from_id(id).is_none()) {
        return Err(unsound(id));
    }
    field(state, "match").filter(SavedMatch::is_sound).ok_or_else(|| unsound("match"))?;
    field(state, "editor")
        .filter(|view: &View| view.is_sound())
        .ok_or_else(|| unsound("editor"))?;
    field(state, "slots")
        .and_then(|saved: SavedSlots| saved.slots())
        .ok_or_else(|| unsound("slots"))?;
    Ok(())
}

fn field<'a, T: Deserialize<'a>>(state: &'a PluginState, name: &str) -> Option<T> {
    serde_json::from_str(state.fields.get(name)?).ok()
}

fn is_value_of(param: ParamRef<'_>, value: &ParamValue) -> bool {
    match (param, value) {
        (ParamRef::Continuous(_, param), ParamValue::F32(value)) => {
            let (min, max) = (param.preview_plain(0.0), param.preview_plain(1.0));
            // The ends of the travel may miss the range by a rounding.
            let slack = (max - min) * f32::EPSILON;
            (min - slack..=max + slack).contains(value)
        }
        (ParamRef::Switch(_), ParamValue::Bool(_)) => true,
        (ParamRef::KeySource(_), ParamValue::String(id)) => is_id::<crate::params::KeySource>(id),
        (ParamRef::Note(_), ParamValue::String(id)) => is_id::<crate::params::Note>(id),
        (ParamRef::Quality(_), ParamValue::String(id)) => is_id::<crate::params::Quality>(id),
        (ParamRef::Listen(_), ParamValue::String(id)) => is_id::<crate::params::Listen>(id),
        _ => false,
    }
}

fn is_id<T: Enum>(id: &str) -> bool {
    T::ids().is_some_and(|ids| ids.contains(&id))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The state of a fresh instance, as the framework would save it.
    fn fresh() -> PluginState {
        let state = BusState::default();
        let value = |control| match state.params.get(control) {
            ParamRef::Continuous(_, param) => ParamValue::F32(param.value()),
            ParamRef::Switch(param) => ParamValue::Bool(param.value()),
            ParamRef::KeySource(_) => ParamValue::String("own_signal".to_owned()),
            ParamRef::Note(_) => ParamValue::String("ms".to_owned()),
            ParamRef::Quality(_) => ParamValue::String("4x".to_owned()),
            ParamRef::Listen(_) => ParamValue::String("output".to_owned()),
        };
        PluginState {
            version: String::new(),
            params: Control::ALL
                .into_iter()
                .map(|control| (control.spec().id.to_owned(), value(control)))
                .collect(),
            fields: state.serialize_fields(),
        }
    }

    fn put(state: &mut PluginState, id: &str, value: ParamValue) {
        state.params.insert(id.to_owned(), value);
    }

    #[test]
    fn our_own_state_is_taken_up() {
        let mut state = fresh();
        assert_eq!(judge(&state), Ok(()));
        refuse_foreign(&mut state);
        assert_eq!(state.params.len(), Control::ALL.len());
    }

    #[test]
    fn a_state_of_the_first_version_comes_with_the_defaults_of_later_controls() {
        let mut state = fresh();
        let first = r#"{"plugin":"audio.tenon.bus","version":1}"#;
        state.fields.insert("format".into(), first.into());
        let expected = state.params.clone();
        for (_, control) in LATER {
            state.params.remove(control.spec().id);
        }
        put(&mut state, "threshold", ParamValue::F32(-30.0));
        refuse_foreign(&mut state);
        let expected = expected.into_iter().map(|(id, value)| match id.as_str() {
            "threshold" => (id, ParamValue::F32(-30.0)),
            _ => (id, value),
        });
        let shown = |params: &mut dyn Iterator<Item = (String, ParamValue)>| {
            params.map(|(id, value)| format!("{id} {value:?}")).collect::<Vec<_>>()
        };
        let taken = shown(&mut state.params.clone().into_iter());
        assert_eq!(taken, shown(&mut expected.into_iter()));
        // One that says it knows them has to have them.
        let mut state = fresh();
        state.params.remove("lookahead");
        refuse_foreign(&mut state);
        assert!(state.params.is_empty());
    }

    #[test]
    fn the_ends_of_every_travel_are_taken_up() {
        let params = BusParams::default();
        for control in Control::ALL {
            if let ParamRef::Continuous(_, param) = params.get(control) {
                for end in [0.0, 1.0] {
                    let mut state = fresh();
                    let value = ParamValue::F32(param.preview_plain(end));
                    put(&mut state, control.spec().id, value);
                    assert_eq!(judge(&state), Ok(()), "{control:?}");
                }
            }
        }
    }

    #[test]
    fn what_is_not_sound_is_emptied() {
        type Spoil = fn(&mut PluginState);
        let spoils: [(&str, Spoil); 16] = [
            ("no mark", |s| {
                s.fields.remove("format");
            }),
            ("another plug-in", |s| {
                let other = r#"{"plugin":"org.example.other","version":1}"#;
                s.fields.insert("format".into(), other.into());
            }),
            ("a newer version", |s| {
                let newer = r#"{"plugin":"audio.tenon.bus","version":3}"#;
                s.fields.insert("format".into(), newer.into());
            }),
            ("not a number", |s| {
                put(s, "threshold", ParamValue::F32(f32::NAN));
            }),
            ("infinite", |s| {
                put(s, "threshold", ParamValue::F32(f32::NEG_INFINITY));
            }),
            ("out of range", |s| put(s, "ratio", ParamValue::F32(20.1))),
            ("wrong kind", |s| put(s, "ratio", ParamValue::Bool(true))),
            ("unknown choice", |s| {
                put(s, "listen", ParamValue::String("all".into()));
            }),
            ("unknown parameter", |s| {
                put(s, "blend", ParamValue::F32(0.0));
            }),
            ("missing parameter", |s| {
                s.params.remove("mix");
            }),
            ("missing match", |s| {
                s.fields.remove("match");
            }),
            ("match out of range", |s| {
                let loud = r#"{"gain_db":24.5,"held":true}"#;
                s.fields.insert("match".into(), loud.into());
            }),
            ("match beyond any number", |s| {
                let endless = r#"{"gain_db":1e39,"held":true}"#;
                s.fields.insert("match".into(), endless.into());
            }),
            ("missing slots", |s| {
                s.fields.remove("slots");
            }),
            ("other setting out of range", |s| {
                let slots = s.fields["slots"].replace("mix=100", "mix=101");
                assert_ne!(slots, s.fields["slots"]);
                s.fields.insert("slots".into(), slots);
            }),
            ("editor too small", |s| {
                let tiny = r#"{"width":1,"height":600,"zoom_percent":100}"#;
                s.fields.insert("editor".into(), tiny.into());
            }),
        ];
        for (name, spoil) in spoils {
            let mut state = fresh();
            spoil(&mut state);
            refuse_foreign(&mut state);
            assert!(state.params.is_empty(), "{name}");
            assert!(state.fields.is_empty(), "{name}");
        }
    }

    #[test]
    fn refusals_say_what_is_wrong() {
        let mut state = fresh();
        put(&mut state, "ratio", ParamValue::F32(0.5));
        let message = judge(&state).unwrap_err().to_string();
        assert!(message.contains("ratio"), "{message}");
        state.fields.clear();
        assert_eq!(judge(&state), Err(StateError::Foreign));
    }

    #[test]
    fn fields_come_back_as_they_were_saved() {
        let saved = BusState::default();
        saved
            .loudness_match
            .restore(MatchMemory { gain_db: -1.234_567_8, state: MatchState::Held });
        saved.view.put(View { width: 1234, height: 777, zoom_percent: 125, dark: true });
        *saved.slots.lock() = Slots {
            heard: Slot::B,
            other: Settings::default().with(Control::Ratio, 3.5),
            other_match: MatchMemory { gain_db: 2.125, state: MatchState::Held },
        };
        let fields = saved.serialize_fields();

        let restored = BusState::default();
        restored.deserialize_fields(&fields);
        assert_eq!(restored.loudness_match.get().0, saved.loudness_match.get().0);
        assert_eq!(restored.view.get(), saved.view.get());
        assert_eq!(*restored.slots.lock(), *saved.slots.lock());
        assert_eq!(restored.serialize_fields(), fields);
    }

    #[test]
    fn a_restore_is_noticed_and_not_overwritten() {
        let shared = SharedMatch::default();
        let (_, seen) = shared.get();
        let engine = MatchMemory { gain_db: 3.0, state: MatchState::Learning };
        shared.report(engine, seen);
        assert_eq!(shared.get(), (engine, seen));

        let restored = MatchMemory { gain_db: -2.0, state: MatchState::Held };
        shared.restore(restored);
        shared.report(engine, seen);
        let (memory, now) = shared.get();
        assert_eq!(memory, restored);
        assert_ne!(now, seen);

        // The same state restored twice is two restores.
        shared.restore(restored);
        assert_ne!(shared.get().1, now);
    }

    #[test]
    fn restores_from_another_thread_are_never_torn() {
        // An interpreter is a thousand times slower.
        const TURNS: usize = if cfg!(miri) { 200 } else { 20_000 };
        let shared = SharedMatch::default();
        let pair = [
            MatchMemory { gain_db: 6.0, state: MatchState::Held },
            MatchMemory { gain_db: -6.0, state: MatchState::Learning },
        ];
        shared.restore(pair[0]);
        std::thread::scope(|scope| {
            scope.spawn(|| {
                for turn in 0..TURNS {
                    shared.restore(pair[turn % 2]);
                }
            });
            for _ in 0..TURNS {
                let (memory, seen) = shared.get();
                assert!(pair.contains(&memory));
                shared.report(memory, seen);
            }
        });
        // The last restore stands, whatever was reported around it.
        assert_eq!(shared.get().0, pair[1]);
    }

    #[test]
    fn a_view_stays_within_its_limits() {
        let shared = SharedView::default();
        shared.put(View { width: 10, height: u16::MAX, zoom_percent: 110, dark: false });
        let view = shared.get();
        assert!(view.is_sound());
        assert_eq!((view.width, view.height), (720, 4320));
        assert_eq!(view.zoom_percent, 100);
    }
}
