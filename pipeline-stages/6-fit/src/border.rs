//! The border of a patch of samples, side by side.

/// A step to a neighbour: columns, rows.
type Way = [isize; 2];

const SIDES: [Way; 4] = [[-1, 0], [1, 0], [0, -1], [0, 1]];

/// The sides of a patch's samples at which it ends.
pub(crate) struct Border<'a> {
    size: [usize; 2],
    is_member: &'a dyn Fn(usize) -> bool,
    /// The sample within and the way out.
    sides: Vec<(usize, Way)>,
}

impl<'a> Border<'a> {
    /// Of the `patch` of what `is_member`, in a plane of `size`, columns and rows.
    pub(crate) fn of(
        patch: &[usize],
        size: [usize; 2],
        is_member: &'a dyn Fn(usize) -> bool,
    ) -> Self {
        let ends = |&(k, way): &(usize, Way)| !beyond(size, k, way, 1).is_some_and(is_member);
        let all = patch.iter().flat_map(|&k| SIDES.map(|way| (k, way)));
        Self {
            size,
            is_member,
            sides: all.filter(ends).collect(),
        }
    }

    /// Share of the border whose samples within the patch are such.
    pub(crate) fn share(&self, is_such: impl Fn(usize) -> bool) -> f64 {
        let such = self.sides.iter().filter(|side| is_such(side.0)).count();
        such as f64 / self.sides.len().max(1) as f64
    }

    /// Share of the border beyond which, within so many samples, there is one that is not such, or
    /// none.
    pub(crate) fn share_before_end(&self, steps: usize, is_such: impl Fn(usize) -> bool) -> f64 {
        let goes_on = |&&(k, way): &&(usize, Way)| {
            (1..=steps as isize).all(|n| beyond(self.size, k, way, n).is_some_and(&is_such))
        };
        let open = self.sides.iter().filter(goes_on).count();
        1.0 - open as f64 / self.sides.len().max(1) as f64
    }

    /// How much `image` changes across the border: mean of what lies within it, up to so many
    /// samples from it, less that of what lies outside, as far as `is_clear`. `None` when one of
    /// them has nothing clear.
    pub(crate) fn step(
        &self,
        image: &[f32],
        steps: usize,
        is_clear: impl Fn(usize) -> bool,
    ) -> Option<f64> {
        let steps = steps as isize;
        let line = |k: usize, way: Way, from: isize, to: isize, within: bool| {
            (from..=to)
                .map_while(move |n| beyond(self.size, k, way, n))
                .take_while(move |&k| (self.is_member)(k) == within)
        };
        let sides = self.sides.iter();
        let outside = sides
            .clone()
            .flat_map(|&(k, way)| line(k, way, 1, steps, false));
        let within = sides.flat_map(|&(k, [i, j])| line(k, [-i, -j], 0, steps - 1, true));
        let within = mean(image, within.filter(|&k| is_clear(k)))?;
        Some(within - mean(image, outside.filter(|&k| is_clear(k)))?)
    }
}

fn beyond([width, height]: [usize; 2], k: usize, [i, j]: Way, steps: isize) -> Option<usize> {
    let column = (k % width).checked_add_signed(i * steps)?;
    let row = (k / width).checked_add_signed(j * steps)?;
    (column < width && row < height).then_some(row * width + column)
}

fn mean(image: &[f32], samples: impl Iterator<Item = usize>) -> Option<f64> {
    let (sum, n) = samples.fold((0.0, 0usize), |(sum, n), k| {
        (sum + f64::from(image[k]), n + 1)
    });
    (n > 0).then(|| sum / n as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    const WIDTH: usize = 40;

    /// A disc of 12 samples' radius in the middle, what shows rising over `blur` samples.
    fn seen(blur: f64) -> Vec<f32> {
        let shows = |k: usize| {
            let [x, y] = [k % WIDTH, k / WIDTH].map(|v| v as f64 - 19.5);
            (0.5 + (12.0 - x.hypot(y)) / blur).clamp(0.0, 1.0) as f32
        };
        (0..WIDTH * WIDTH).map(shows).collect()
    }

    fn step(blur: f64) -> f64 {
        let image = seen(blur);
        let member = |k: usize| image[k] > 0.5;
        let patch: Vec<usize> = (0..image.len()).filter(|&k| member(k)).collect();
        let border = Border::of(&patch, [WIDTH, WIDTH], &member);
        border.step(&image, 2, |_| true).expect("both sides")
    }

    #[test]
    fn the_step_at_a_sharp_border_is_all_that_shows_and_at_a_soft_one_little() {
        assert!((step(1e-6) - 1.0).abs() < 1e-6);
        assert!((0.05..0.2).contains(&step(18.0)));
    }

    #[test]
    fn a_border_along_the_end_of_the_grid_has_its_share() {
        let image = seen(1.0);
        let member = |k: usize| k / WIDTH < 10;
        let patch: Vec<usize> = (0..image.len()).filter(|&k| member(k)).collect();
        let border = Border::of(&patch, [WIDTH, WIDTH], &member);
        // 40 of 40 samples above, 10 to the left and right each, none of 40 below.
        let at_end = border.share_before_end(2, |_| true);
        assert!((at_end - 60.0 / 100.0).abs() < 1e-12);
        assert!((border.share(|k| k % WIDTH == 0) - 12.0 / 100.0).abs() < 1e-12);
        assert!(border.step(&image, 2, |k| k / WIDTH < 10).is_none());
    }
}
