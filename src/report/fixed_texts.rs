//! Fixed texts that a reader may have in another language: a key, and the English for it.

/// Declares an enum of fixed texts: `Name = "key": "English",`.
macro_rules! fixed_texts {
    ($(#[$about:meta])* $all:ident; $($(#[$doc:meta])* $name:ident = $key:literal: $english:literal,)*) => {
        $(#[$about])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
        pub enum $all {
            $(#[doc = concat!("\"", $english, "\"")] $(#[$doc])* $name,)*
        }

        impl $all {
            /// Every text.
            pub const ALL: &'static [Self] = &[$(Self::$name,)*];

            /// Its key in the `[wording]` table of a project file.
            pub const fn key(self) -> &'static str {
                match self {
                    $(Self::$name => $key,)*
                }
            }

            /// The text that is built in.
            pub const fn english(self) -> &'static str {
                match self {
                    $(Self::$name => $english,)*
                }
            }
        }
    };
}

pub(crate) use fixed_texts;

/// A text with its places filled in; `{key}` stands for a value.
///
/// A value that holds a key in braces itself is not filled in again.
pub(crate) fn filled(text: &str, values: &[(&str, &str)]) -> String {
    let mut rest = text;
    let mut filled = String::new();
    while let Some(open) = rest.find('{') {
        let (before, from) = rest.split_at(open);
        filled.push_str(before);
        let found = values.iter().find_map(|(key, value)| {
            let after = from.strip_prefix('{')?.strip_prefix(key)?;
            Some((value, after.strip_prefix('}')?))
        });
        rest = if let Some((value, after)) = found {
            filled.push_str(value);
            after
        } else {
            filled.push('{');
            from.strip_prefix('{').unwrap_or_default()
        };
    }
    filled + rest
}
