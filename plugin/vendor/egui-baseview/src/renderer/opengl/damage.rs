//! Which part of the window a frame changes, for renderers without a graphics card: there every pixel
//! costs, and most of a frame is as the one before.

use baseview::dpi::PhysicalSize;
use egui::epaint::ClippedShape;
use egui::{Rect, Rgba, pos2};
use egui_glow::glow::{self, HasContext};

/// What the last frame showed, and the mark it left in the buffer.
#[derive(Default)]
pub struct Damage {
    last: Option<Last>,
    /// Alpha of the pixel in the bottom left corner of the last frame, which nobody sees.
    mark: u8,
}

struct Last {
    shapes: Vec<ClippedShape>,
    size: PhysicalSize<u32>,
    pixels_per_point: f32,
    clear_color: Rgba,
}

impl Damage {
    /// True when the context draws on the processor.
    pub fn pays(gl: &glow::Context) -> bool {
        let renderer = unsafe { gl.get_parameter_string(glow::RENDERER) };
        ["llvmpipe", "softpipe"].iter().any(|name| renderer.contains(name))
    }

    /// The part of the window, in points on whole pixels, in which `shapes` differ from the last
    /// frame. None when all of it has to be drawn: something else changed too, or the buffer does
    /// not hold the last frame any more.
    pub fn find(
        &mut self,
        gl: &glow::Context,
        shapes: &[ClippedShape],
        size: PhysicalSize<u32>,
        pixels_per_point: f32,
        clear_color: Rgba,
    ) -> Option<Rect> {
        let kept = self.last.as_ref().filter(|last| {
            (last.size, last.pixels_per_point, last.clear_color)
                == (size, pixels_per_point, clear_color)
                && read_mark(gl) == self.mark
        });
        let damage = kept.map(|last| {
            let same = |(a, b): &(&ClippedShape, &ClippedShape)| a == b;
            let (old, new) = (&last.shapes[..], shapes);
            let head = old.iter().zip(new).take_while(same).count();
            let (old, new) = (&old[head..], &new[head..]);
            let tail = old.iter().rev().zip(new.iter().rev()).take_while(same).count();
            let changed = old[..old.len() - tail].iter().chain(&new[..new.len() - tail]);
            let damage = changed.map(bounds).fold(Rect::NOTHING, |all, rect| all | rect);
            on_pixels(damage, pixels_per_point)
        });
        self.last = Some(Last { shapes: shapes.to_vec(), size, pixels_per_point, clear_color });
        damage
    }

    /// Draws the whole window next time.
    pub fn forget(&mut self) {
        self.last = None;
    }

    /// Marks the finished frame.
    pub fn mark(&mut self, gl: &glow::Context) {
        // Never that of a frame before it that another buffer may hold.
        self.mark = self.mark % 250 + 1;
        unsafe {
            gl.enable(glow::SCISSOR_TEST);
            gl.scissor(0, 0, 1, 1);
            gl.color_mask(false, false, false, true);
            gl.clear_color(0.0, 0.0, 0.0, f32::from(self.mark) / 255.0);
            gl.clear(glow::COLOR_BUFFER_BIT);
            gl.color_mask(true, true, true, true);
            gl.disable(glow::SCISSOR_TEST);
        }
    }
}

/// Limits what is cleared to a part, in pixels.
pub fn scissor(gl: &glow::Context, part: Rect, canvas_height: u32) {
    let size = part.size().round();
    let (left, top) = (part.left().round() as i32, part.top().round() as i32);
    let (width, height) = (size.x as i32, size.y as i32);
    unsafe {
        gl.enable(glow::SCISSOR_TEST);
        gl.scissor(left, canvas_height as i32 - top - height, width, height);
    }
}

/// What has to be drawn to draw a part of the window.
pub fn within(mut shapes: Vec<ClippedShape>, part: Rect) -> Vec<ClippedShape> {
    shapes.retain_mut(|shape| {
        let touches = bounds(shape).intersects(part);
        shape.clip_rect = shape.clip_rect.intersect(part);
        touches
    });
    shapes
}

fn read_mark(gl: &glow::Context) -> u8 {
    let mut pixel = [0; 4];
    let target = glow::PixelPackData::Slice(Some(&mut pixel));
    unsafe { gl.read_pixels(0, 0, 1, 1, glow::RGBA, glow::UNSIGNED_BYTE, target) };
    pixel[3]
}

/// Where a shape can have drawn something.
fn bounds(shape: &ClippedShape) -> Rect {
    let transform = shape.transform_after_tessellation;
    (transform * shape.shape.visual_bounding_rect()).intersect(shape.clip_rect)
}

/// The pixels that a rectangle touches, and those beside them: edges are smoothed.
fn on_pixels(rect: Rect, pixels_per_point: f32) -> Rect {
    if !rect.is_positive() {
        return Rect::ZERO;
    }
    let down = |x: f32| ((x * pixels_per_point).floor() - 1.0) / pixels_per_point;
    let up = |x: f32| ((x * pixels_per_point).ceil() + 1.0) / pixels_per_point;
    Rect::from_min_max(pos2(down(rect.min.x), down(rect.min.y)), pos2(up(rect.max.x), up(rect.max.y)))
}
