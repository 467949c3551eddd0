//! `grainway.h` is made from the Rust types and checked in. Here it is made anew and compared, and a C compiler is asked for the
//! size of every struct, the place of every field and the value of every constant, to compare with what the Rust compiler says.
//!
//! `GRAINWAY_BLESS=1` writes the header.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use grainway_abi as abi;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::mem::{align_of, offset_of, size_of};
use std::path::{Path, PathBuf};
use std::process::Command;

const SOURCE: &str = include_str!("../src/lib.rs");

/// Something that the source declares.
#[derive(Debug)]
enum Decl {
    Const {
        name: String,
        kind: String,
        value: String,
    },
    Struct {
        name: String,
        fields: Vec<(String, String, String)>,
    },
    Function {
        name: String,
        args: Vec<(String, String)>,
        result: String,
    },
}

/// Declarations with their doc comments, in order. Knows the few forms that the source has, and panics at any other.
fn declarations() -> Vec<(String, Decl)> {
    let mut all = Vec::new();
    let mut doc = String::new();
    let mut lines = SOURCE.lines();
    while let Some(line) = lines.next() {
        let line = line.trim();
        if let Some(text) = line.strip_prefix("///") {
            let _ = writeln!(doc, "{}", text.trim());
        } else if line.starts_with("pub ") {
            let mut whole = line.to_string();
            let closed = |w: &str| w.ends_with(';') || w.ends_with('{');
            while !closed(&whole) {
                whole.push(' ');
                whole.push_str(lines.next().unwrap().trim());
            }
            let decl = if let Some(rest) = whole.strip_prefix("pub const ") {
                let (name, rest) = rest.split_once(": ").unwrap();
                let (kind, value) = rest.split_once(" = ").unwrap();
                Decl::Const {
                    name: name.into(),
                    kind: kind.into(),
                    value: value.trim_end_matches(';').into(),
                }
            } else if let Some(rest) = whole.strip_prefix("pub struct ") {
                let name = rest.trim_end_matches(" {").to_string();
                let (mut fields, mut doc) = (Vec::new(), String::new());
                for line in lines.by_ref().map(str::trim).take_while(|l| *l != "}") {
                    if let Some(text) = line.strip_prefix("///") {
                        doc = format!("{doc} {}", text.trim()).trim().to_string();
                    } else {
                        let (field, kind) = line
                            .strip_prefix("pub ")
                            .and_then(|l| l.trim_end_matches(',').split_once(": "))
                            .unwrap_or_else(|| panic!("a field of {name}: {line}"));
                        fields.push((field.into(), kind.into(), std::mem::take(&mut doc)));
                    }
                }
                Decl::Struct { name, fields }
            } else if let Some(rest) = whole.strip_prefix("pub type ") {
                let (name, rest) = rest.split_once(" = unsafe extern \"C\" fn(").unwrap();
                let (args, result) = rest.split_once(") -> ").unwrap();
                let args = args.split(',').map(str::trim).filter(|a| !a.is_empty());
                let named = |a: &str| {
                    let (n, t) = a.split_once(": ").unwrap();
                    (n.to_string(), t.to_string())
                };
                Decl::Function {
                    name: name.into(),
                    args: args.map(named).collect(),
                    result: result.trim_end_matches(';').into(),
                }
            } else {
                panic!("a declaration of an unknown form: {whole}");
            };
            all.push((std::mem::take(&mut doc), decl));
        } else if !line.starts_with("#[") {
            doc.clear();
        }
    }
    all
}

/// `ReadMove` as `grainway_read_move`.
fn c_name(name: &str) -> String {
    let mut out = String::from("grainway");
    for c in name.chars() {
        if c.is_ascii_uppercase() {
            out.push('_');
        }
        out.push(c.to_ascii_lowercase());
    }
    out
}

/// A C declaration of `name` with a Rust type.
fn c_decl(kind: &str, name: &str) -> String {
    if let Some(inner) = kind.strip_prefix("Option<") {
        return format!("{} {name}", c_name(inner.trim_end_matches('>')));
    }
    if let Some(inner) = kind.strip_prefix('[') {
        let (of, n) = inner.trim_end_matches(']').split_once("; ").unwrap();
        return c_decl(of, &format!("{name}[{n}]"));
    }
    if let Some(inner) = kind.strip_prefix("*const ") {
        return format!("const {}", c_decl(inner, &format!("*{name}")));
    }
    if let Some(inner) = kind.strip_prefix("*mut ") {
        return c_decl(inner, &format!("*{name}"));
    }
    let word = match kind {
        "u8" => "uint8_t".into(),
        "u32" => "uint32_t".into(),
        "u64" => "uint64_t".into(),
        "i32" => "int32_t".into(),
        "usize" => "size_t".into(),
        "f64" => "double".into(),
        "c_void" => "void".into(),
        other => {
            assert!(other.chars().all(|c| c.is_ascii_alphanumeric()), "{other}");
            c_name(other)
        }
    };
    match name {
        "" => word,
        name => format!("{word} {name}"),
    }
}

/// Doc text without the marks of rustdoc.
fn plain(doc: &str) -> String {
    doc.replace("[`", "`").replace("`]", "`").replace("**", "")
}

fn comment(out: &mut String, doc: &str, indent: &str) {
    let doc = plain(doc.trim());
    let lines: Vec<&str> = doc.lines().collect();
    match lines.as_slice() {
        [] => {}
        [one] => {
            let _ = writeln!(out, "{indent}/* {one} */");
        }
        many => {
            let _ = writeln!(out, "{indent}/* {}", many[0]);
            for line in &many[1..] {
                let _ = writeln!(out, "{}", format!("{indent}   {line}").trim_end());
            }
            out.truncate(out.trim_end().len());
            out.push_str(" */\n");
        }
    }
}

/// The C value of a constant; `None` for those that C says otherwise.
fn c_value(name: &str, kind: &str, value: &str) -> Option<String> {
    match kind {
        "u32" => Some(format!("{value}u")),
        "i32" => Some(value.to_string()),
        "&str" => Some(value.to_string()),
        "[u8; 8]" => Some(value.trim_start_matches("*b").to_string()),
        _ => {
            assert_eq!(name, "PLUGIN_SIZE_1_0");
            None
        }
    }
}

fn header() -> String {
    let mut out = String::new();
    let about: String = SOURCE
        .lines()
        .take_while(|l| l.starts_with("//!"))
        .map(|l| format!("{}\n", l.trim_start_matches("//!").trim_start()))
        .collect();
    comment(&mut out, &about.replace("# ", ""), "");
    out.push_str(
        "\n/* Made from plugins/abi/src/lib.rs by its tests; do not change by hand. */\n\n\
         #ifndef GRAINWAY_H\n#define GRAINWAY_H\n\n#include <stddef.h>\n#include <stdint.h>\n\n\
         #ifdef __cplusplus\nextern \"C\" {\n#endif\n\n",
    );
    let all = declarations();
    for (_, decl) in &all {
        if let Decl::Struct { name, .. } = decl {
            let name = c_name(name);
            let _ = writeln!(out, "typedef struct {name} {name};");
        }
    }
    for (doc, decl) in &all {
        match decl {
            Decl::Const { name, kind, value } => {
                if let Some(value) = c_value(name, kind, value) {
                    comment(&mut out, doc, "");
                    let _ = writeln!(out, "#define GRAINWAY_{name} {value}");
                }
            }
            Decl::Struct { name, fields } => {
                out.push('\n');
                comment(&mut out, doc, "");
                let _ = writeln!(out, "struct {} {{", c_name(name));
                for (field, kind, doc) in fields {
                    comment(&mut out, doc, "    ");
                    let _ = writeln!(out, "    {};", c_decl(kind, field));
                }
                out.push_str("};\n");
            }
            Decl::Function { name, args, result } => {
                out.push('\n');
                comment(&mut out, doc, "");
                let args: Vec<String> = args.iter().map(|(n, t)| c_decl(t, n)).collect();
                let args = match args.is_empty() {
                    true => "void".to_string(),
                    false => args.join(", "),
                };
                let pointer = c_decl(result, &format!("(*{})", c_name(name)));
                let _ = writeln!(out, "typedef {pointer}({args});");
            }
        }
    }
    out.push_str(
        "\n/* The function that a plugin exports. */\n\
         #if defined(__GNUC__)\n__attribute__((visibility(\"default\")))\n#endif\n\
         const grainway_plugin *grainway_plugin_1(void);\n\n\
         #ifdef __cplusplus\n}\n#endif\n\n#endif\n",
    );
    out
}

fn file() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("grainway.h")
}

#[test]
fn the_header_is_made_from_the_types() {
    let made = header();
    if std::env::var_os("GRAINWAY_BLESS").is_some() {
        #[allow(
            clippy::disallowed_methods,
            reason = "a source file, written on request"
        )]
        std::fs::write(file(), &made).unwrap();
    }
    let checked_in = std::fs::read_to_string(file()).unwrap_or_default();
    assert!(
        made == checked_in,
        "grainway.h is not what the types say; run the test with GRAINWAY_BLESS=1 and look at the difference"
    );
}

/// Size, alignment, and the offset and size of each field.
type Layout = BTreeMap<String, Vec<usize>>;

fn rust_layout() -> Layout {
    let mut all = Layout::new();
    macro_rules! layout {
        ($($name:ident: $($field:ident)*;)*) => {$(
            all.insert(stringify!($name).into(), vec![size_of::<abi::$name>(), align_of::<abi::$name>()]);
            $(all.insert(
                concat!(stringify!($name), ".", stringify!($field)).into(),
                vec![offset_of!(abi::$name, $field)],
            );)*
        )*};
    }
    layout! {
        Bytes: data len;
        Numbers: data len;
        Span: at len;
        Item: kind flags number reserved text more x y z a b feed;
        Items: items count texts;
        ReadMove: line kind flags from to feed rpm centre sweep mismatch seconds cutter number text code;
        ReadMoves: moves count texts;
        Host: size major minor context write cancelled items read receive blob;
        Plugin: magic major minor size describe create destroy dialect_write dialect_read stage_run;
    }
    all
}

#[test]
fn a_c_compiler_sees_what_the_rust_compiler_sees() {
    let mut program = String::from(
        "#include <stdio.h>\n#include <string.h>\n#include \"grainway.h\"\nint main(void) {\n",
    );
    let mut constants = 0;
    for (_, decl) in declarations() {
        match decl {
            Decl::Const { name, kind, .. } => match kind.as_str() {
                "u32" | "i32" => {
                    constants += 1;
                    let _ = writeln!(
                        program,
                        "printf(\"={name} %lld\\n\", (long long)GRAINWAY_{name});"
                    );
                }
                "&str" | "[u8; 8]" => {
                    let _ = writeln!(program, "printf(\"={name} %s\\n\", GRAINWAY_{name});");
                }
                _ => {}
            },
            Decl::Struct { name, fields } => {
                let c = c_name(&name);
                let _ = writeln!(
                    program,
                    "printf(\"{name} %zu %zu\\n\", sizeof({c}), _Alignof({c}));"
                );
                for (field, ..) in fields {
                    let _ = writeln!(
                        program,
                        "printf(\"{name}.{field} %zu\\n\", offsetof({c}, {field}));"
                    );
                }
            }
            Decl::Function { .. } => {}
        }
    }
    program.push_str("return 0;\n}\n");
    let folder = std::env::temp_dir().join(format!("grainway-header-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let (source, binary) = (folder.join("layout.c"), folder.join("layout"));
    #[allow(clippy::disallowed_methods, reason = "a test's own temporary file")]
    std::fs::write(&source, &program).unwrap();
    let built = Command::new("cc")
        .args(["-std=c11", "-Wall", "-Wextra", "-Werror", "-pedantic", "-I"])
        .arg(env!("CARGO_MANIFEST_DIR"))
        .arg(&source)
        .arg("-o")
        .arg(&binary)
        .output()
        .unwrap();
    assert!(
        built.status.success(),
        "{}",
        String::from_utf8_lossy(&built.stderr)
    );
    let run = Command::new(&binary).output().unwrap();
    std::fs::remove_dir_all(&folder).unwrap();
    let said = String::from_utf8(run.stdout).unwrap();
    let (mut layout, mut values) = (Layout::new(), BTreeMap::new());
    for line in said.lines() {
        let (name, rest) = line.split_once(' ').unwrap();
        match name.strip_prefix('=') {
            Some(name) => {
                values.insert(name.to_string(), rest.to_string());
            }
            None => {
                let numbers = rest.split(' ').map(|n| n.parse().unwrap()).collect();
                layout.insert(name.to_string(), numbers);
            }
        }
    }
    assert_eq!(layout, rust_layout());
    assert!(constants > 40, "{constants}");
    for (name, value) in rust_constants() {
        assert_eq!(values.remove(name), Some(value), "{name}");
    }
    assert_eq!(
        values,
        BTreeMap::new(),
        "constants that this test does not know"
    );
}

fn rust_constants() -> Vec<(&'static str, String)> {
    macro_rules! values {
        ($($name:ident)*) => { vec![$((stringify!($name), abi::$name.to_string())),*] };
    }
    let mut all = values! {
        MAJOR MINOR ENTRY
        CODE_OK CODE_REFUSED CODE_UNSUPPORTED CODE_CANCELLED CODE_INTERNAL CODE_PANICKED CODE_HOST
        WRITE_DESCRIPTION WRITE_TEXT WRITE_WRITTEN WRITE_END WRITE_PATCH WRITE_REASON
        MAKE_DIALECT MAKE_STAGE
        ITEM_STEP ITEM_CUTTER ITEM_SPINDLE ITEM_PAUSE ITEM_DWELL ITEM_LABEL ITEM_RETRACT ITEM_RAPID ITEM_LINE ITEM_ARC ITEM_HOLE
        ITEM_FLAG_BY_HAND ITEM_FLAG_ON ITEM_FLAG_CLOCKWISE ITEM_FLAG_PECK
        READ_RAPID READ_LINE READ_ARC READ_RETRACT READ_PAUSE READ_CUTTER READ_SPINDLE READ_DWELL READ_STEP READ_END READ_FAULT
        READ_HAS_FROM_X READ_HAS_FROM_Y READ_HAS_FROM_Z READ_HAS_TO_X READ_HAS_TO_Y READ_HAS_TO_Z READ_HAS_FEED
        READ_HAS_SPINDLE READ_CLOCKWISE READ_HAS_CUTTER
    };
    all.push(("MAGIC", String::from_utf8(abi::MAGIC.to_vec()).unwrap()));
    all
}

#[test]
fn a_table_of_version_1_0_has_the_size_that_is_said() {
    assert_eq!(abi::PLUGIN_SIZE_1_0, size_of::<abi::Plugin>());
}
