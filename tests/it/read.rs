//! The reader, from outside: a folder of made-up exports, and any bytes at all.

use bothends::read::from_bytes;
use proptest::prelude::*;

proptest! {
    #[test]
    fn any_bytes_are_read_or_refused(bytes in proptest::collection::vec(any::<u8>(), 0..2000)) {
        let _ = from_bytes(&bytes);
    }

    // Text near to an export reaches deeper than bytes at random.
    #[test]
    fn any_near_export_is_read_or_refused(
        lines in proptest::collection::vec(
            "(# [a-z ]{1,12}: ?[0-9a-z., ]{0,9}|[0-9.,;\\t \"'eE+-]{0,24}|-?[0-9]{1,4}[.,][0-9]{1,3}[;,\\t ]-?[0-9]{1,3}[.,][0-9]{1,3})",
            0..80
        ),
        end in "(\n|\r\n|\r)",
    ) {
        let _ = from_bytes(lines.join(end.as_str()).as_bytes());
    }
}
