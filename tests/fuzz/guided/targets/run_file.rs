#![no_main]

use std::sync::LazyLock;

use benchward_fuzz::Kept;

static KEPT: LazyLock<Kept> = LazyLock::new(Kept::new);

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| KEPT.run_file(bytes));
