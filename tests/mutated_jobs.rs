//! A few mutated job folders, each ending with a report that says what is wrong with them. Many more
//! are run by `cargo run -p accuracy --bin mutated-jobs`.

use std::path::Path;

use scene_painter::mutation::mutated;
use scene_painter::trial::Base;

#[test]
fn mutated_jobs_end_with_a_report() {
    let desk = tempfile::tempdir().expect("a folder");
    let base = Base::painted(1);
    for seed in 0..24 {
        let mutation = mutated(&base.files, seed);
        let program = Path::new(env!("CARGO_BIN_EXE_emblemend"));
        let result = mutation
            .tried(&base, program, desk.path())
            .expect("room on the disk");
        assert!(result.is_ok(), "{seed}, {}: {result:?}", mutation.what);
    }
}
