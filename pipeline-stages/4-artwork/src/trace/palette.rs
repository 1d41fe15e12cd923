//! The colours of a picture, and which of them each pixel belongs to.

use std::collections::BTreeMap;

use image::RgbaImage;

/// Colours nearer to each other than this, of 255 levels in three channels, are one.
const SAME_COLOUR: f32 = 48.0;
/// A pixel whose neighbours all lie so near to it belongs to an area, not to an edge.
const FLAT: f32 = 26.0;
/// A colour must fill this share of the picture's flat pixels, and so many of them.
const SMALLEST_SHARE: f64 = 0.002;
const FEWEST_PIXELS: usize = 60;
/// Levels of a channel that count as one where colours are gathered.
const BIN: f32 = 16.0;
/// How far from an edge's pixel the areas on its two sides may begin, in pixels.
const EDGE_REACH: i32 = 3;
/// Regions smaller than this belong to what lies round them, in pixels.
const SPECK_PX: usize = 8;

pub(super) type Colour = [f32; 3];

/// A picture with a border of background, each pixel with the index of its colour; 0 is the
/// background.
pub(super) struct Labels {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) colours: Vec<Colour>,
    label: Vec<u8>,
    pixels: Vec<Colour>,
}

impl Labels {
    /// `None` for a picture of fewer than two colours besides its background.
    pub(super) fn of(image: &RgbaImage, background: Colour) -> Option<Self> {
        let (width, height) = (image.width() as usize + 2, image.height() as usize + 2);
        let mut pixels = vec![background; width * height];
        for (x, y, p) in image.enumerate_pixels() {
            let alpha = f32::from(p.0[3]) / 255.0;
            pixels[(y as usize + 1) * width + x as usize + 1] =
                [0, 1, 2].map(|c| background[c] + alpha * (f32::from(p.0[c]) - background[c]));
        }
        let flat = flat_pixels(&pixels, width);
        let colours = palette(&pixels, &flat, background);
        if colours.len() < 3 {
            return None;
        }
        let mut labels = Self {
            width,
            height,
            label: vec![0; pixels.len()],
            colours,
            pixels,
        };
        labels.assign(&flat);
        labels.absorb_specks();
        let used = |i: &usize| labels.label.iter().any(|l| usize::from(*l) == *i);
        ((1..labels.colours.len()).filter(used).count() > 1).then_some(labels)
    }

    pub(super) fn at(&self, x: usize, y: usize) -> u8 {
        self.label[y * self.width + x]
    }

    /// Where between two neighbouring pixels of different labels the edge lies: 0 at the first's
    /// middle, 1 at the second's.
    pub(super) fn crossing(&self, a: (usize, usize), b: (usize, usize)) -> f64 {
        let of = |(x, y): (usize, usize)| {
            let i = y * self.width + x;
            (self.pixels[i], self.colours[usize::from(self.label[i])])
        };
        let ((pixel_a, from), (pixel_b, to)) = (of(a), of(b));
        let way = [0, 1, 2].map(|c| to[c] - from[c]);
        let length: f32 = way.iter().map(|w| w * w).sum();
        let share = |p: Colour| {
            let along: f32 = (0..3).map(|c| (p[c] - from[c]) * way[c]).sum();
            (along / length.max(1.0)).clamp(0.0, 1.0)
        };
        let (low, high) = (f64::from(share(pixel_a)), f64::from(share(pixel_b)));
        // The pixels beyond, where they are of the same two colours: what of all four is not yet
        // the second colour lies before the edge.
        let step = (b.0 as isize - a.0 as isize, b.1 as isize - a.1 as isize);
        let before = self.beyond(a, (-step.0, -step.1));
        let after = self.beyond(b, step);
        if let (Some(before), Some(after)) = (before, after) {
            let shares = [f64::from(share(before)), low, high, f64::from(share(after))];
            let first: f64 = shares.iter().map(|s| 1.0 - s).sum();
            return (first - 1.5).clamp(0.0, 1.0);
        }
        if high - low < 0.05 {
            return 0.5;
        }
        ((0.5 - low) / (high - low)).clamp(0.0, 1.0)
    }

    /// The next pixel in a direction, if it has the same label.
    fn beyond(&self, (x, y): (usize, usize), step: (isize, isize)) -> Option<Colour> {
        let (u, v) = (x.checked_add_signed(step.0)?, y.checked_add_signed(step.1)?);
        let inside = u < self.width && v < self.height;
        let alike = inside && self.at(u, v) == self.at(x, y);
        alike.then(|| self.pixels[v * self.width + u])
    }

    /// Flat pixels take the nearest colour of all; those of an edge one of the colours beside it,
    /// so that a mixture of two is not taken for a third.
    fn assign(&mut self, flat: &[bool]) {
        let all: Vec<usize> = (0..self.colours.len()).collect();
        for i in (0..flat.len()).filter(|&i| flat[i]) {
            self.label[i] = self.nearest(self.pixels[i], &all);
        }
        let sure = self.label.clone();
        for i in (0..flat.len()).filter(|&i| !flat[i]) {
            let (x, y) = ((i % self.width) as i32, (i / self.width) as i32);
            let mut beside: Vec<usize> = Vec::new();
            for reach in 1..=EDGE_REACH {
                for (dx, dy) in
                    (-reach..=reach).flat_map(|dy| (-reach..=reach).map(move |dx| (dx, dy)))
                {
                    let (u, v) = (x + dx, y + dy);
                    if u < 0 || v < 0 || u >= self.width as i32 || v >= self.height as i32 {
                        continue;
                    }
                    let j = v as usize * self.width + u as usize;
                    if flat[j] && !beside.contains(&usize::from(sure[j])) {
                        beside.push(usize::from(sure[j]));
                    }
                }
                if beside.len() > 1 {
                    break;
                }
            }
            // Lines as thin as the edges of areas have no flat pixel of their own.
            let candidates = if beside.len() > 1 { &beside } else { &all };
            self.label[i] = self.nearest(self.pixels[i], candidates);
        }
    }

    fn nearest(&self, pixel: Colour, candidates: &[usize]) -> u8 {
        let off = |i: &&usize| distance(pixel, self.colours[**i]);
        let best = candidates.iter().min_by(|a, b| off(a).total_cmp(&off(b)));
        best.map_or(0, |i| *i as u8)
    }

    /// Gives regions of a few pixels to the label that most of their neighbours have.
    fn absorb_specks(&mut self) {
        let mut seen = vec![false; self.label.len()];
        for start in 0..self.label.len() {
            if seen[start] {
                continue;
            }
            seen[start] = true;
            let own = self.label[start];
            let mut region = vec![start];
            let mut beside: BTreeMap<u8, usize> = BTreeMap::new();
            let mut next = 0;
            while let Some(&i) = region.get(next) {
                next += 1;
                for j in neighbours(i, self.width, self.height) {
                    if self.label[j] != own {
                        *beside.entry(self.label[j]).or_default() += 1;
                    } else if !seen[j] {
                        seen[j] = true;
                        region.push(j);
                    }
                }
            }
            if region.len() < SPECK_PX {
                let most = beside
                    .iter()
                    .max_by_key(|(label, count)| (**count, 255 - **label));
                let most = most.map(|(label, _)| *label);
                for i in region {
                    self.label[i] = most.unwrap_or(own);
                }
            }
        }
    }
}

fn neighbours(i: usize, width: usize, height: usize) -> impl Iterator<Item = usize> {
    let (x, y) = (i % width, i / width);
    let left = (x > 0).then(|| i - 1);
    let right = (x + 1 < width).then(|| i + 1);
    let above = (y > 0).then(|| i - width);
    let below = (y + 1 < height).then(|| i + width);
    [left, right, above, below].into_iter().flatten()
}

fn distance(a: Colour, b: Colour) -> f32 {
    (0..3).map(|c| (a[c] - b[c]).powi(2)).sum::<f32>().sqrt()
}

fn flat_pixels(pixels: &[Colour], width: usize) -> Vec<bool> {
    let height = pixels.len() / width;
    (0..pixels.len())
        .map(|i| neighbours(i, width, height).all(|j| distance(pixels[i], pixels[j]) < FLAT))
        .collect()
}

/// The background and the colours that fill areas, most frequent first.
fn palette(pixels: &[Colour], flat: &[bool], background: Colour) -> Vec<Colour> {
    let mut bins: BTreeMap<[u8; 3], (usize, [f64; 3])> = BTreeMap::new();
    let mut total = 0;
    for (p, _) in pixels.iter().zip(flat).filter(|(_, flat)| **flat) {
        total += 1;
        let (count, sum) = bins.entry(p.map(|v| (v / BIN) as u8)).or_default();
        *count += 1;
        (0..3).for_each(|c| sum[c] += f64::from(p[c]));
    }
    let mut found: Vec<(usize, [f64; 3])> = bins.into_values().collect();
    found.sort_by_key(|bin| std::cmp::Reverse(bin.0));
    let mean = |(count, sum): &(usize, [f64; 3])| sum.map(|s| (s / *count as f64) as f32);
    let mut gathered: Vec<(usize, [f64; 3])> = Vec::new();
    for bin in found {
        match gathered
            .iter_mut()
            .find(|g| distance(mean(g), mean(&bin)) < SAME_COLOUR)
        {
            Some(g) => {
                g.0 += bin.0;
                (0..3).for_each(|c| g.1[c] += bin.1[c]);
            }
            None => gathered.push(bin),
        }
    }
    let enough = FEWEST_PIXELS.max((SMALLEST_SHARE * f64::from(total)) as usize);
    let colours = gathered.iter().filter(|g| g.0 >= enough).map(mean);
    let others = colours.filter(|c| distance(*c, background) >= SAME_COLOUR);
    // Labels are bytes.
    std::iter::once(background)
        .chain(others)
        .take(200)
        .collect()
}
