//! JSON that people can read too: objects line by line, lists of numbers on one line.

use std::io::{self, Write};

use serde::Serialize;
use serde_json::ser::{Formatter, Serializer};

/// A value as text, with a line break at its end.
///
/// # Errors
/// When the value has no JSON form.
pub fn to_text<T: Serialize>(value: &T) -> serde_json::Result<String> {
    let mut out = Vec::new();
    value.serialize(&mut Serializer::with_formatter(&mut out, Lines::default()))?;
    out.push(b'\n');
    String::from_utf8(out).map_err(|why| serde_json::Error::io(io::Error::other(why)))
}

/// Breaks lines in objects only.
#[derive(Debug, Default)]
struct Lines {
    depth: usize,
    filled: bool,
}

impl Lines {
    fn line<W: ?Sized + Write>(&self, writer: &mut W) -> io::Result<()> {
        writer.write_all(b"\n")?;
        (0..self.depth).try_for_each(|_| writer.write_all(b" "))
    }
}

impl Formatter for Lines {
    fn begin_array_value<W: ?Sized + Write>(
        &mut self,
        writer: &mut W,
        first: bool,
    ) -> io::Result<()> {
        if first {
            Ok(())
        } else {
            writer.write_all(b", ")
        }
    }

    fn begin_object<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.depth += 1;
        self.filled = false;
        writer.write_all(b"{")
    }

    fn end_object<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.depth -= 1;
        if self.filled {
            self.line(writer)?;
        }
        self.filled = true;
        writer.write_all(b"}")
    }

    fn begin_object_key<W: ?Sized + Write>(
        &mut self,
        writer: &mut W,
        first: bool,
    ) -> io::Result<()> {
        if !first {
            writer.write_all(b",")?;
        }
        self.line(writer)
    }

    fn begin_object_value<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        writer.write_all(b": ")
    }

    fn end_object_value<W: ?Sized + Write>(&mut self, _: &mut W) -> io::Result<()> {
        self.filled = true;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    #[test]
    fn it_reads_back_and_keeps_points_on_one_line() {
        let value = json!({"a": [[0.5, 1], [2, 3]], "b": {}, "c": [{"d": "ü\n"}, {}], "e": []});
        let text = super::to_text(&value).unwrap();
        assert_eq!(serde_json::from_str::<Value>(&text).unwrap(), value);
        assert!(text.contains("\n \"a\": [[0.5, 1], [2, 3]],\n"), "{text}");
    }
}
