//! A window on an X screen: what it shows, and pointer and keys on it. Knows nothing of plug-ins.

use std::error::Error;
use std::ops::Range;
use std::path::Path;
use std::time::Duration;

use x11rb::connection::Connection;
use x11rb::protocol::Event;
use x11rb::protocol::xproto::{
    self, ConfigureWindowAux, ConnectionExt as _, CreateWindowAux, ImageFormat, PropMode,
    WindowClass,
};
use x11rb::protocol::xtest::ConnectionExt as _;
use x11rb::rust_connection::RustConnection;
use x11rb::wrapper::ConnectionExt as _;

/// What goes wrong here is for people to read.
pub type Result<T> = std::result::Result<T, Box<dyn Error + Send + Sync>>;

/// Keysym of the left Shift key.
const SHIFT: u32 = 0xFFE1;

/// A picture of the window.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Picture {
    /// Width in pixels.
    pub width: u32,
    /// Height in pixels.
    pub height: u32,
    /// Red, green and blue of each pixel, row by row from the top.
    pub rgb: Vec<u8>,
}

impl Picture {
    /// Red, green and blue of a pixel.
    pub fn pixel(&self, x: u32, y: u32) -> [u8; 3] {
        let at = 3 * (y * self.width + x) as usize;
        [self.rgb[at], self.rgb[at + 1], self.rgb[at + 2]]
    }

    /// Share of the pixels, 0 to 1, that differ from another picture of the same size by more than
    /// a shade.
    pub fn difference(&self, other: &Self) -> f64 {
        self.difference_in(other, 0..self.width, 0..self.height)
    }

    /// The same of the part that differs most, a square of 16 pixels or what the edge leaves of one: a
    /// word or a mark fills a good part of it, and is nothing in the whole.
    pub fn worst_difference(&self, other: &Self) -> f64 {
        const SIDE: u32 = 16;
        let starts = |length: u32| (0..length).step_by(SIDE as usize);
        let squares = starts(self.height).flat_map(|y| starts(self.width).map(move |x| (x, y)));
        squares
            .map(|(x, y)| {
                let (right, bottom) = ((x + SIDE).min(self.width), (y + SIDE).min(self.height));
                self.difference_in(other, x..right, y..bottom)
            })
            .fold(0.0, f64::max)
    }

    fn difference_in(&self, other: &Self, columns: Range<u32>, rows: Range<u32>) -> f64 {
        /// Largest difference of a channel that is but a shade.
        const SHADE: u8 = 12;
        assert_eq!((self.width, self.height), (other.width, other.height));
        let all = columns.len() * rows.len();
        let pixels = rows.flat_map(|y| columns.clone().map(move |x| (x, y)));
        let differs = |&(x, y): &(u32, u32)| {
            let (a, b) = (self.pixel(x, y), other.pixel(x, y));
            a.iter().zip(b).any(|(a, b)| a.abs_diff(b) > SHADE)
        };
        pixels.filter(differs).count() as f64 / all as f64
    }
}

/// An X screen with room for one window.
pub struct Screen {
    display: RustConnection,
    root: xproto::Window,
    depth: u8,
    window: Option<xproto::Window>,
    place: (i16, i16),
}

impl Screen {
    /// The screen that is named in `DISPLAY`. A window will lie at `place` on it, in pixels.
    ///
    /// # Errors
    /// When there is no such screen.
    pub fn connect(place: (i16, i16)) -> Result<Self> {
        let (display, number) = x11rb::connect(None)?;
        let setup = &display.setup().roots[number];
        let (root, depth) = (setup.root, setup.root_depth);
        Ok(Self { display, root, depth, window: None, place })
    }

    /// Opens a window of a size in pixels and gives its number.
    ///
    /// # Errors
    /// When the screen refuses.
    pub fn open(&mut self, (width, height): (u32, u32)) -> Result<u32> {
        let window = self.display.generate_id()?;
        let aux = CreateWindowAux::new().background_pixel(0x80_80_80).override_redirect(1);
        self.display.create_window(
            self.depth,
            window,
            self.root,
            self.place.0,
            self.place.1,
            width as u16,
            height as u16,
            0,
            WindowClass::INPUT_OUTPUT,
            0,
            &aux,
        )?;
        self.display.map_window(window)?;
        self.display.sync()?;
        self.window = Some(window);
        Ok(window)
    }

    /// Whether the window is open.
    pub fn is_open(&self) -> bool {
        self.window.is_some()
    }

    /// Closes the window, if it is open.
    ///
    /// # Errors
    /// When the screen refuses.
    pub fn close(&mut self) -> Result<()> {
        if let Some(window) = self.window.take() {
            self.display.destroy_window(window)?;
            self.display.sync()?;
        }
        Ok(())
    }

    /// Gives the window another size, in pixels.
    ///
    /// # Errors
    /// When the window is closed or the screen refuses.
    pub fn resize(&self, (width, height): (u32, u32)) -> Result<()> {
        let window = self.window.ok_or("the editor is closed")?;
        let aux = ConfigureWindowAux::new().width(width).height(height);
        self.display.configure_window(window, &aux)?;
        self.display.sync()?;
        Ok(())
    }

    /// Size of the window, in pixels.
    ///
    /// # Errors
    /// When the editor is closed or the screen refuses.
    pub fn size(&self) -> Result<(u32, u32)> {
        let window = self.window.ok_or("the editor is closed")?;
        let geometry = self.display.get_geometry(window)?.reply()?;
        Ok((geometry.width.into(), geometry.height.into()))
    }

    /// A picture of the window as it is on the screen.
    ///
    /// # Errors
    /// When the editor is closed or the screen refuses.
    pub fn picture(&self) -> Result<Picture> {
        let (width, height) = self.size()?;
        self.part((0, 0), (width, height))
    }

    /// A picture of a part of the window: from where, and how large, in pixels.
    ///
    /// # Errors
    /// When the screen refuses.
    pub fn part(&self, from: (i16, i16), (width, height): (u32, u32)) -> Result<Picture> {
        let image = self
            .display
            .get_image(
                ImageFormat::Z_PIXMAP,
                self.root,
                self.place.0 + from.0,
                self.place.1 + from.1,
                width as u16,
                height as u16,
                u32::MAX,
            )?
            .reply()?;
        // 24 bits deep: blue, green, red and a byte of padding.
        let rgb = image.data.chunks(4).flat_map(|pixel| [pixel[2], pixel[1], pixel[0]]).collect();
        Ok(Picture { width, height, rgb })
    }

    /// The key of a keysym, and whether it takes Shift.
    fn code(&self, keysym: u32) -> Result<(u8, bool)> {
        let setup = self.display.setup();
        let (first, last) = (setup.min_keycode, setup.max_keycode);
        let map = self.display.get_keyboard_mapping(first, last - first + 1)?.reply()?;
        let each = usize::from(map.keysyms_per_keycode);
        let at =
            |column| map.keysyms.chunks(each).position(|keys| keys.get(column) == Some(&keysym));
        let found = at(0).map(|key| (key, false)).or_else(|| at(1).map(|key| (key, true)));
        let (key, shifted) = found.ok_or_else(|| format!("no key has the keysym {keysym:#x}"))?;
        Ok((first + key as u8, shifted))
    }

    fn drag_source(&self, file: &Path) -> Result<DragSource> {
        let window = self.window.ok_or("the editor is closed")?;
        let tree = self.display.query_tree(window)?.reply()?;
        let target = *tree.children.first().ok_or("the editor has no window")?;
        DragSource::new(target, self.root, file)
    }

    fn fake(&self, kind: u8, detail: u8, x: i16, y: i16) -> Result<()> {
        self.display.xtest_fake_input(kind, detail, 0, self.root, x, y, 0)?;
        self.display.sync()?;
        Ok(())
    }
}

/// A host with a window, with what a user does to it.
pub trait Windowed {
    /// The screen its window is on.
    fn screen(&self) -> &Screen;

    /// Does for a while what a host does beside audio.
    ///
    /// # Errors
    /// When the screen or the plug-in refuses.
    fn run(&mut self, time: Duration) -> Result<()>;

    /// Size of the window, in pixels.
    ///
    /// # Errors
    /// When the editor is closed or the screen refuses.
    fn size(&self) -> Result<(u32, u32)> {
        self.screen().size()
    }

    /// A picture of the window as it is on the screen.
    ///
    /// # Errors
    /// When the editor is closed or the screen refuses.
    fn picture(&self) -> Result<Picture> {
        self.screen().picture()
    }

    /// Runs until the window has looked the same for a while, and gives what it looks like.
    ///
    /// # Errors
    /// When it never comes to rest, or the screen refuses.
    fn picture_at_rest(&mut self) -> Result<Picture> {
        let mut last = self.picture()?;
        let mut same = 0;
        for _ in 0..100 {
            self.run(Duration::from_millis(100))?;
            let picture = self.picture()?;
            same = if picture == last && !is_blank(&picture) { same + 1 } else { 0 };
            if same == 3 {
                return Ok(picture);
            }
            last = picture;
        }
        Err("the window does not come to rest".into())
    }

    /// Runs until a part of the window, from a place and of a size in pixels, differs from `before`
    /// and has looked the same for a while.
    ///
    /// # Errors
    /// When it does not come to that, or the screen refuses.
    fn part_settles(&mut self, from: (i16, i16), size: (u32, u32), before: &Picture) -> Result<()> {
        let mut last = self.screen().part(from, size)?;
        let mut same = 0;
        for _ in 0..200 {
            self.run(Duration::from_millis(50))?;
            let part = self.screen().part(from, size)?;
            same = if part == last && part != *before { same + 1 } else { 0 };
            if same == 3 {
                return Ok(());
            }
            last = part;
        }
        Err("the window does not change, or does not come to rest".into())
    }

    /// Moves the pointer to a place of the window, in pixels.
    ///
    /// # Errors
    /// When the screen refuses.
    fn point(&mut self, x: i16, y: i16) -> Result<()> {
        let (left, top) = self.screen().place;
        self.fake(xproto::MOTION_NOTIFY_EVENT, 0, left + x, top + y)
    }

    /// Presses or releases a button of the pointer: 1 is the left one, 3 the right one, 4 and 5 are
    /// the wheel up and down.
    ///
    /// # Errors
    /// When the screen refuses.
    fn button(&mut self, button: u8, pressed: bool) -> Result<()> {
        let kind = if pressed { xproto::BUTTON_PRESS_EVENT } else { xproto::BUTTON_RELEASE_EVENT };
        self.fake(kind, button, 0, 0)
    }

    /// Presses and releases a button at a place.
    ///
    /// # Errors
    /// When the screen refuses.
    fn click(&mut self, button: u8, x: i16, y: i16) -> Result<()> {
        self.point(x, y)?;
        self.button(button, true)?;
        self.button(button, false)
    }

    /// Drags from one place to another, by the left button.
    ///
    /// # Errors
    /// When the screen refuses.
    fn drag(&mut self, from: (i16, i16), to: (i16, i16)) -> Result<()> {
        const STEPS: i32 = 10;
        self.point(from.0, from.1)?;
        self.button(1, true)?;
        for step in 1..=STEPS {
            let way = |from: i16, to: i16| {
                let (from, to) = (i32::from(from), i32::from(to));
                (from + (to - from) * step / STEPS) as i16
            };
            self.point(way(from.0, to.0), way(from.1, to.1))?;
        }
        self.button(1, false)
    }

    /// Presses and releases a key, by its X keysym, with others held down.
    ///
    /// # Errors
    /// When the keyboard has no such key or the screen refuses.
    fn key(&mut self, held: &[u32], keysym: u32) -> Result<()> {
        let (code, shifted) = self.screen().code(keysym)?;
        let held = held.iter().chain(shifted.then_some(&SHIFT));
        let codes =
            held.map(|keysym| Ok(self.screen().code(*keysym)?.0)).collect::<Result<Vec<_>>>()?;
        for code in &codes {
            self.fake(xproto::KEY_PRESS_EVENT, *code, 0, 0)?;
        }
        self.fake(xproto::KEY_PRESS_EVENT, code, 0, 0)?;
        self.fake(xproto::KEY_RELEASE_EVENT, code, 0, 0)?;
        for code in codes.iter().rev() {
            self.fake(xproto::KEY_RELEASE_EVENT, *code, 0, 0)?;
        }
        Ok(())
    }

    /// Presses and releases a key, and waits until a part of the window shows it.
    ///
    /// # Errors
    /// When it shows nothing of it, the keyboard has no such key or the screen refuses.
    fn key_seen(
        &mut self,
        held: &[u32],
        keysym: u32,
        (from, size): ((i16, i16), (u32, u32)),
    ) -> Result<()> {
        let before = self.screen().part(from, size)?;
        self.key(held, keysym)?;
        self.part_settles(from, size, &before)
    }

    /// Types a text of Latin 1.
    ///
    /// # Errors
    /// When the keyboard has no such key or the screen refuses.
    fn type_text(&mut self, text: &str) -> Result<()> {
        // Keysyms of Latin 1 are its codes.
        text.chars().try_for_each(|sign| self.key(&[], u32::from(sign)))
    }

    /// Holds a file over a place of the editor and drops it there, as a file manager does (XDND,
    /// version 5). Gives what the window looked like before it was let go, or nothing when the editor
    /// does not take it.
    ///
    /// # Errors
    /// When the editor is closed, does not answer, or the screen refuses.
    fn drop_file(&mut self, file: &Path, at: (i16, i16)) -> Result<Option<Picture>> {
        let at = (self.screen().place.0 + at.0, self.screen().place.1 + at.1);
        let mut source = self.screen().drag_source(file)?;
        source.enter(at)?;
        let mut picture = None;
        for _ in 0..100 {
            self.run(Duration::from_millis(20))?;
            match source.answer()? {
                Some(DragAnswer::Willing) if picture.is_none() => {
                    self.run(Duration::from_millis(600))?;
                    picture = Some(self.picture()?);
                    source.let_go()?;
                }
                Some(DragAnswer::Willing) | None => (),
                Some(DragAnswer::Refused) => return Ok(None),
                Some(DragAnswer::Taken) => return Ok(picture),
            }
        }
        Err("the editor does not answer to a file held over it".into())
    }

    /// Does something with pointer or keyboard, and gives the editor time for a frame.
    ///
    /// # Errors
    /// When the screen refuses.
    fn fake(&mut self, kind: u8, detail: u8, x: i16, y: i16) -> Result<()> {
        self.screen().fake(kind, detail, x, y)?;
        self.run(Duration::from_millis(40))
    }
}

x11rb::atom_manager! {
    /// What the protocol of dragged things speaks of.
    DragAtoms: DragAtomsCookie {
        XdndEnter,
        XdndPosition,
        XdndStatus,
        XdndDrop,
        XdndFinished,
        XdndSelection,
        XdndActionCopy,
        URI_LIST: b"text/uri-list",
    }
}

/// What the window under a dragged file says.
enum DragAnswer {
    /// It would take the file.
    Willing,
    /// It has the file.
    Taken,
    /// It does not want the file.
    Refused,
}

/// A window that a file is dragged from.
struct DragSource {
    screen: RustConnection,
    atoms: DragAtoms,
    window: xproto::Window,
    target: xproto::Window,
    uri: String,
}

impl DragSource {
    fn new(target: xproto::Window, root: xproto::Window, file: &Path) -> Result<Self> {
        let (screen, _) = x11rb::connect(None)?;
        let atoms = DragAtoms::new(&screen)?.reply()?;
        let window = screen.generate_id()?;
        let aux = CreateWindowAux::new();
        let class = WindowClass::INPUT_OUTPUT;
        screen.create_window(0, window, root, 0, 0, 1, 1, 0, class, 0, &aux)?;
        screen.set_selection_owner(window, atoms.XdndSelection, x11rb::CURRENT_TIME)?;
        screen.sync()?;
        let uri = format!("file://{}\r\n", file.display());
        Ok(Self { screen, atoms, window, target, uri })
    }

    fn tell(&self, kind: xproto::Atom, data: [u32; 4]) -> Result<()> {
        let data = [self.window, data[0], data[1], data[2], data[3]];
        let event = xproto::ClientMessageEvent::new(32, self.target, kind, data);
        self.screen.send_event(false, self.target, xproto::EventMask::NO_EVENT, event)?;
        self.screen.sync()?;
        Ok(())
    }

    fn enter(&self, (x, y): (i16, i16)) -> Result<()> {
        const VERSION: u32 = 5;
        self.tell(self.atoms.XdndEnter, [VERSION << 24, self.atoms.URI_LIST, 0, 0])?;
        let place = (x as u32) << 16 | y as u32;
        let now = x11rb::CURRENT_TIME;
        self.tell(self.atoms.XdndPosition, [0, place, now, self.atoms.XdndActionCopy])
    }

    fn let_go(&self) -> Result<()> {
        self.tell(self.atoms.XdndDrop, [0, x11rb::CURRENT_TIME, 0, 0])
    }

    /// Hands the file over when asked to, and gives what the target says, once it says something.
    fn answer(&mut self) -> Result<Option<DragAnswer>> {
        while let Some(event) = self.screen.poll_for_event()? {
            match event {
                Event::SelectionRequest(request) => {
                    self.screen.change_property8(
                        PropMode::REPLACE,
                        request.requestor,
                        request.property,
                        request.target,
                        self.uri.as_bytes(),
                    )?;
                    let notify = xproto::SelectionNotifyEvent {
                        response_type: xproto::SELECTION_NOTIFY_EVENT,
                        sequence: 0,
                        time: request.time,
                        requestor: request.requestor,
                        selection: request.selection,
                        target: request.target,
                        property: request.property,
                    };
                    let mask = xproto::EventMask::NO_EVENT;
                    self.screen.send_event(false, request.requestor, mask, notify)?;
                    self.screen.sync()?;
                }
                Event::ClientMessage(message) => {
                    let accepted = message.data.as_data32()[1] & 1 == 1;
                    if !accepted {
                        return Ok(Some(DragAnswer::Refused));
                    }
                    if message.type_ == self.atoms.XdndStatus {
                        return Ok(Some(DragAnswer::Willing));
                    }
                    if message.type_ == self.atoms.XdndFinished {
                        return Ok(Some(DragAnswer::Taken));
                    }
                }
                _ => (),
            }
        }
        Ok(None)
    }
}

/// Whether all pixels are alike.
pub fn is_blank(picture: &Picture) -> bool {
    picture.rgb.chunks(3).all(|pixel| pixel == &picture.rgb[..3])
}

/// Panics unless the editor is whole: ground of the sheet at its four corners, and something drawn
/// all over it.
pub fn check_whole(picture: &Picture) {
    assert!(!is_blank(picture));
    let (right, bottom) = (picture.width - 1, picture.height - 3);
    let corner = picture.pixel(2, 2);
    for (x, y) in [(right, 2), (2, bottom), (right - 40, bottom)] {
        assert_eq!(picture.pixel(x, y), corner, "at {x}, {y} of {}", picture.width);
    }
    // The four quarters all show something.
    for (left, top) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
        let (width, height) = (picture.width / 2, picture.height / 2);
        let differs = |x: u32, y: u32| picture.pixel(left * width + x, top * height + y) != corner;
        let drawn = (0..height).flat_map(|y| (0..width).map(move |x| (x, y)));
        let share = drawn.filter(|(x, y)| differs(*x, *y)).count() as f64;
        assert!(share / f64::from(width * height) > 0.02, "an empty quarter at {left}, {top}");
    }
}
