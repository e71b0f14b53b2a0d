//! The output does not depend on how the stream is cut into blocks, nor on what was played before a
//! reset.

mod common;
use common::{any_settings, bits, cases, engine, programme, run};
use proptest::prelude::*;
use tenon_dsp::MatchMemory;

proptest! {
    #![proptest_config(cases(48))]

    #[test]
    fn every_split_gives_the_same_bits(
        settings in any_settings(),
        later in any_settings(),
        cuts in prop::collection::vec(prop_oneof![1usize..40, 1usize..3_000], 1..40),
        rate in prop::sample::select(vec![8_000.0, 12_345.678, 44_100.0, 48_000.0, 192_000.0]),
    ) {
        let mut input = programme(12_000, 7);
        let [left, right] = &mut input;
        // Ways round some work are open while both channels are the same, or silent.
        right[..2_501].copy_from_slice(&left[..2_501]);
        for channel in [left, right] {
            channel[7_001..8_500].fill(-0.0);
        }
        let key = programme(12_000, 8);
        let change_at = 5_003;
        // Settings change at the same sample in both runs.
        let play = |block_at: &dyn Fn(usize) -> usize| {
            let mut processor = engine(rate, &settings);
            let mut output = input.clone();
            let (mut start, mut block) = (0, 0);
            while start < output[0].len() {
                if start == change_at {
                    processor.set(&later);
                }
                let limit = if start < change_at { change_at } else { output[0].len() };
                let end = limit.min(start + block_at(block));
                let [left, right] = &mut output;
                let key = (&key[0][start..end], &key[1][start..end]);
                processor.process(&mut left[start..end], &mut right[start..end], Some(key));
                (start, block) = (end, block + 1);
            }
            (bits(&output), processor.readings())
        };
        let whole = play(&|_| usize::MAX / 2);
        let split = play(&|block| cuts[block % cuts.len()]);
        prop_assert!(whole == split, "bits or readings differ");
    }

    #[test]
    fn a_reset_engine_is_a_new_one(settings in any_settings(), rate in 8_000f64..200_000.0) {
        let input = programme(6_000, 3);
        let memory = MatchMemory { gain_db: -3.5, ..MatchMemory::default() };
        let mut new = engine(rate, &settings);
        new.restore_match(memory);
        let mut used = engine(rate, &settings);
        run(&mut used, &programme(9_000, 5), 512);
        used.reset();
        used.restore_match(memory);
        prop_assert!(bits(&run(&mut used, &input, 256)) == bits(&run(&mut new, &input, 256)));
    }
}

/// What is left in a buffer from a longer block must not be worked on in shorter ones.
#[test]
fn short_blocks_leave_nothing_behind_for_a_longer_one() {
    use tenon_dsp::Control;
    let compared =
        tenon_dsp::Settings::default().with(Control::OutputTrim, 6.0).with(Control::Compare, 1.0);
    let input = programme(128 + 16 * 2_000 + 1_024, 2);
    let play = |short: usize| {
        let mut processor = engine(48_000.0, &compared);
        let mut output = input.clone();
        let [left, right] = &mut output;
        let mut start = 0;
        let mut play = |processor: &mut tenon_dsp::Processor, block: usize| {
            let range = start..start + block;
            processor.process(&mut left[range.clone()], &mut right[range], None);
            start += block;
        };
        play(&mut processor, 128);
        (0..16 * 2_000 / short).for_each(|_| play(&mut processor, short));
        processor.set(&compared.with(Control::Compare, 0.0));
        (0..512 / short.min(512)).for_each(|_| play(&mut processor, short.min(512)));
        processor.set(&compared.with(Control::Compare, 0.0).with(Control::Bypass, 1.0));
        play(&mut processor, 512);
        bits(&output)
    };
    assert!(play(16) == play(32_000));
}

#[test]
fn empty_blocks_change_nothing() {
    let settings = tenon_dsp::Settings::default();
    let input = programme(4_000, 1);
    let mut interrupted = engine(48_000.0, &settings);
    let mut output = input.clone();
    let [left, right] = &mut output;
    for (left, right) in left.chunks_mut(100).zip(right.chunks_mut(100)) {
        interrupted.process(&mut [], &mut [], None);
        interrupted.process(left, right, None);
    }
    assert_eq!(bits(&output), bits(&run(&mut engine(48_000.0, &settings), &input, 4_000)));
}
