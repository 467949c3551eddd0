//! Texts of a file in its own encoding.

/// How the file's texts are encoded: UTF-8 from 2007 on, a code page with `\U+XXXX` before.
#[derive(Clone, Copy, Debug)]
pub(super) struct Decoder(&'static encoding_rs::Encoding);

impl Decoder {
    pub(super) fn of(version: &str, code_page: &str) -> Decoder {
        // Version words ascend with the release: AC1021 is 2007.
        if version >= "AC1021" {
            return Decoder(encoding_rs::UTF_8);
        }
        let number = code_page.rsplit('_').next().unwrap_or_default();
        let label = match number {
            "932" => "shift_jis".to_string(),
            "936" => "gbk".to_string(),
            "949" => "euc-kr".to_string(),
            "950" => "big5".to_string(),
            n => format!("windows-{n}"),
        };
        Decoder(
            encoding_rs::Encoding::for_label(label.as_bytes()).unwrap_or(encoding_rs::WINDOWS_1252),
        )
    }
    pub(super) fn text(self, bytes: &[u8]) -> String {
        let text = self.0.decode_without_bom_handling(bytes).0;
        if !text.contains("\\U+") {
            return text.into_owned();
        }
        let mut out = String::with_capacity(text.len());
        let mut rest = text.as_ref();
        while let Some(at) = rest.find("\\U+") {
            out.push_str(&rest[..at]);
            let digits = rest.get(at + 3..at + 7);
            match digits
                .and_then(|d| u32::from_str_radix(d, 16).ok())
                .and_then(char::from_u32)
            {
                Some(c) => {
                    out.push(c);
                    rest = &rest[at + 7..];
                }
                None => {
                    out.push_str("\\U+");
                    rest = &rest[at + 3..];
                }
            }
        }
        out.push_str(rest);
        out
    }
}
