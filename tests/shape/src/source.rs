//! Files parsed into modules: what each defines, imports and names.

use crate::lines::{self, Lines};
use crate::workspace::{Crate, Workspace};
use proc_macro2::{TokenStream, TokenTree};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::RangeInclusive;
use syn::spanned::Spanned;
use syn::visit::{self, Visit};
use syn::{Attribute, Item, ItemMod, UseTree, Visibility};

/// A path as it is written, and its line.
#[derive(Clone, Debug)]
pub struct Path {
    /// Its words; a macro's last word ends with `!`.
    pub words: Vec<String>,
    /// Where, from 1.
    pub line: usize,
}

/// A name that a module takes from elsewhere.
#[derive(Clone, Debug)]
pub struct Import {
    /// As which it is known here; `*` for everything of a module.
    pub name: String,
    /// From where.
    pub path: Path,
    /// Handed on, so that others find it here: `pub use` of any reach.
    pub handed_on: bool,
}

/// A module: a file, or a block `mod name { … }` within one.
#[derive(Debug, Default)]
pub struct Module {
    /// Its file below the root.
    pub file: String,
    /// Only compiled for tests.
    pub test: bool,
    /// The module around it.
    pub parent: Option<usize>,
    /// Modules in it.
    pub children: BTreeMap<String, usize>,
    /// Names that it defines.
    pub items: BTreeSet<String>,
    /// Names that it takes from elsewhere.
    pub imports: Vec<Import>,
    /// Paths that its code names, other than in imports.
    pub paths: Vec<Path>,
    /// Texts between quotes, each with its line.
    pub texts: Vec<(String, usize)>,
    /// Types for which it implements a trait: trait and type.
    pub implements: Vec<(String, String)>,
    /// What in its comparators may make an order that is not total, and where.
    pub loose_orders: Vec<(String, usize)>,
}

/// A function and its length.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Function {
    /// Its file below the root.
    pub file: String,
    /// Its name.
    pub name: String,
    /// From the line with `fn` to the one with the last brace.
    pub lines: usize,
    /// Only for tests.
    pub test: bool,
}

/// What there is to know of a file.
#[derive(Clone, Debug, Default)]
pub struct File {
    /// Its crate's name.
    pub krate: String,
    /// Lines by kind.
    pub lines: Lines,
    /// Lines that hold the word `unsafe`.
    pub unsafe_at: Vec<usize>,
    /// Every word of its code, the tests' among it.
    pub words: BTreeSet<String>,
}

/// All modules of all crates.
#[derive(Debug, Default)]
pub struct Tree {
    /// Modules; roots of crates have no parent.
    pub modules: Vec<Module>,
    /// Library root of each crate by the name that sources write.
    pub libraries: BTreeMap<String, usize>,
    /// Files by path below the root.
    pub files: BTreeMap<String, File>,
    /// Functions in order of file and line.
    pub functions: Vec<Function>,
}

impl Tree {
    /// Parses a workspace.
    ///
    /// # Errors
    /// Which file is no Rust.
    pub fn parse(workspace: &Workspace) -> Result<Tree, String> {
        let mut tree = Tree::default();
        for krate in &workspace.crates {
            for root in &krate.roots {
                let index = tree.file(workspace, krate, root, None, krate.is_test())?;
                if index.is_some() && root.ends_with("/lib.rs") {
                    tree.libraries
                        .insert(krate.ident(), index.unwrap_or_default());
                }
            }
            for root in &krate.test_roots {
                tree.file(workspace, krate, root, None, true)?;
            }
        }
        // Files that no target of the workspace reaches, such as those of the fuzz targets.
        for path in workspace.texts.keys() {
            let krate = workspace.crate_of(path);
            if let (false, Some(krate)) = (tree.files.contains_key(path), krate) {
                tree.file(workspace, krate, path, None, true)?;
            }
        }
        Ok(tree)
    }

    /// Adds a file as a module, and the files of the modules that it declares.
    fn file(
        &mut self,
        workspace: &Workspace,
        krate: &Crate,
        path: &str,
        parent: Option<usize>,
        test: bool,
    ) -> Result<Option<usize>, String> {
        let Some(text) = workspace.texts.get(path) else {
            return Ok(None);
        };
        let parsed = syn::parse_file(text).map_err(|e| format!("{path}: {e}"))?;
        let tokens: TokenStream = text.parse().map_err(|e| format!("{path}: {e}"))?;
        let index = self.module(path, parent, test);
        let mut filling = Filling {
            tree: self,
            at: index,
            tests: Vec::new(),
            declared: Vec::new(),
        };
        filling.items(&parsed.items);
        let (tests, declared) = (filling.tests, filling.declared);
        let file = self.files.entry(path.to_string()).or_default();
        if file.krate.is_empty() {
            file.krate.clone_from(&krate.name);
            file.lines = lines::count(text, tokens.clone(), &tests, test);
            words(tokens, file);
        }
        for (name, own, below, test) in declared {
            let found = own.map_or_else(|| beside(path, &below, &name), |p| vec![joined(path, &p)]);
            for candidate in found {
                let made = self.file(workspace, krate, &candidate, Some(below.1), test)?;
                if let Some(made) = made {
                    self.modules[below.1].children.insert(name, made);
                    break;
                }
            }
        }
        Ok(Some(index))
    }

    fn module(&mut self, file: &str, parent: Option<usize>, test: bool) -> usize {
        self.modules.push(Module {
            file: file.to_string(),
            parent,
            test,
            ..Module::default()
        });
        self.modules.len() - 1
    }

    /// Modules of the product.
    pub fn product(&self) -> impl Iterator<Item = &Module> {
        self.modules.iter().filter(|m| !m.test)
    }
}

/// Blocks around a declared module within its file, and the module that declares it.
type Below = (Vec<String>, usize);

/// Files that `mod name;` in this file may mean.
fn beside(path: &str, below: &Below, name: &str) -> Vec<String> {
    let (folder, file) = path.rsplit_once('/').unwrap_or(("", path));
    let stem = file.trim_end_matches(".rs");
    let mut base = folder.to_string();
    if !["lib", "main", "mod"].contains(&stem) {
        base = format!("{base}/{stem}");
    }
    for block in &below.0 {
        base = format!("{base}/{block}");
    }
    // The root file of a program or a test keeps its modules beside it, whatever its name.
    let root = format!("{folder}/{name}");
    [base, root.trim_end_matches(&format!("/{name}")).to_string()]
        .iter()
        .flat_map(|b| [format!("{b}/{name}.rs"), format!("{b}/{name}/mod.rs")])
        .collect()
}

/// A path relative to the folder of a file.
fn joined(path: &str, relative: &str) -> String {
    let mut parts: Vec<&str> = path.split('/').collect();
    parts.pop();
    for part in relative.split('/') {
        match part {
            ".." => drop(parts.pop()),
            other => parts.push(other),
        }
    }
    parts.join("/")
}

/// Every word of the code, and where it says `unsafe`.
fn words(tokens: TokenStream, file: &mut File) {
    for token in tokens {
        match token {
            TokenTree::Group(group) => words(group.stream(), file),
            TokenTree::Ident(ident) => {
                let word = ident.to_string();
                if word == "unsafe" {
                    file.unsafe_at.push(ident.span().start().line);
                }
                file.words.insert(word);
            }
            _ => {}
        }
    }
}

/// Under `#[cfg(test)]`, alone or as one way of several.
fn for_tests(attributes: &[Attribute]) -> bool {
    attributes.iter().any(|a| {
        let word = a.path().get_ident().map(ToString::to_string);
        let tokens = match &a.meta {
            syn::Meta::List(list) => list.tokens.to_string(),
            _ => String::new(),
        };
        let tests =
            tokens == "test" || tokens.starts_with("any (test") || tokens.starts_with("any(test");
        match word.as_deref() {
            Some("cfg") => tests,
            Some("test") => true,
            _ => false,
        }
    })
}

fn attributes(item: &Item) -> &[Attribute] {
    match item {
        Item::Const(i) => &i.attrs,
        Item::Enum(i) => &i.attrs,
        Item::Fn(i) => &i.attrs,
        Item::Impl(i) => &i.attrs,
        Item::Macro(i) => &i.attrs,
        Item::Mod(i) => &i.attrs,
        Item::Static(i) => &i.attrs,
        Item::Struct(i) => &i.attrs,
        Item::Trait(i) => &i.attrs,
        Item::Type(i) => &i.attrs,
        Item::Union(i) => &i.attrs,
        Item::Use(i) => &i.attrs,
        _ => &[],
    }
}

fn defined(item: &Item) -> Option<String> {
    Some(match item {
        Item::Const(i) => i.ident.to_string(),
        Item::Enum(i) => i.ident.to_string(),
        Item::Fn(i) => i.sig.ident.to_string(),
        Item::Static(i) => i.ident.to_string(),
        Item::Struct(i) => i.ident.to_string(),
        Item::Trait(i) => i.ident.to_string(),
        Item::Type(i) => i.ident.to_string(),
        Item::Union(i) => i.ident.to_string(),
        Item::Macro(i) => format!("{}!", i.ident.as_ref()?),
        _ => return None,
    })
}

/// A module being filled with what its items say.
struct Filling<'t> {
    tree: &'t mut Tree,
    at: usize,
    /// Lines under `#[cfg(test)]`.
    tests: Vec<RangeInclusive<usize>>,
    /// Modules in files of their own: name, path where one is given, where they are declared, and whether for tests only.
    declared: Vec<(String, Option<String>, Below, bool)>,
}

impl Filling<'_> {
    fn items(&mut self, items: &[Item]) {
        self.block(items, &mut Vec::new());
    }

    fn block(&mut self, items: &[Item], blocks: &mut Vec<String>) {
        for item in items {
            if let Some(name) = defined(item) {
                self.tree.modules[self.at].items.insert(name);
            }
        }
        for item in items {
            let (at, test) = (self.at, self.tree.modules[self.at].test);
            let only = for_tests(attributes(item));
            if only && !test {
                self.tests
                    .push(item.span().start().line..=item.span().end().line);
            }
            if let Item::Mod(inner) = item {
                self.inner(inner, blocks, test || only);
            } else if only && !test {
                // An item for tests in a module of the product: kept apart as a module without a name.
                let file = self.tree.modules[at].file.clone();
                self.at = self.tree.module(&file, Some(at), true);
                self.visit_item(item);
                self.at = at;
            } else {
                self.visit_item(item);
            }
        }
    }

    fn inner(&mut self, inner: &ItemMod, blocks: &mut Vec<String>, test: bool) {
        let (name, at) = (inner.ident.to_string(), self.at);
        let Some((_, items)) = &inner.content else {
            let below = (blocks.clone(), at);
            self.declared.push((name, path_given(inner), below, test));
            return;
        };
        let file = self.tree.modules[at].file.clone();
        self.at = self.tree.module(&file, Some(at), test);
        self.tree.modules[at].children.insert(name.clone(), self.at);
        blocks.push(name);
        self.block(items, blocks);
        blocks.pop();
        self.at = at;
    }

    fn import(&mut self, tree: &UseTree, so_far: &[String], line: usize, handed_on: bool) {
        let with = |word: &syn::Ident| [so_far, &[word.to_string()]].concat();
        let mut take = |name: String, words: Vec<String>| {
            // `use a::{self}` names `a`.
            let is_self = words.len() > 1 && words.last().is_some_and(|w| w == "self");
            let words = words[..words.len() - usize::from(is_self)].to_vec();
            let name = match name == "self" {
                true => words.last().cloned().unwrap_or_default(),
                false => name,
            };
            let path = Path { words, line };
            self.tree.modules[self.at].imports.push(Import {
                name,
                path,
                handed_on,
            });
        };
        match tree {
            UseTree::Path(p) => self.import(&p.tree, &with(&p.ident), line, handed_on),
            UseTree::Name(n) => take(n.ident.to_string(), with(&n.ident)),
            UseTree::Rename(r) => take(r.rename.to_string(), with(&r.ident)),
            UseTree::Glob(_) => take("*".into(), so_far.to_vec()),
            UseTree::Group(g) => {
                for tree in &g.items {
                    self.import(tree, so_far, line, handed_on);
                }
            }
        }
    }

    fn function(
        &mut self,
        name: &syn::Ident,
        from: proc_macro2::Span,
        block: &syn::Block,
        test: bool,
    ) {
        let end = block.brace_token.span.close().end().line;
        let module = &self.tree.modules[self.at];
        self.tree.functions.push(Function {
            file: module.file.clone(),
            name: name.to_string(),
            lines: end + 1 - from.start().line,
            test: module.test || test,
        });
    }

    fn named(&mut self, words: Vec<String>, line: usize) {
        self.tree.modules[self.at].paths.push(Path { words, line });
    }

    /// Paths and texts among the tokens that a macro is given.
    fn tokens(&mut self, tokens: &TokenStream) {
        let all: Vec<TokenTree> = tokens.clone().into_iter().collect();
        let colon =
            |i: usize| matches!(all.get(i), Some(TokenTree::Punct(p)) if p.as_char() == ':');
        let mut i = 0;
        while let Some(token) = all.get(i) {
            match token {
                TokenTree::Group(group) => self.tokens(&group.stream()),
                TokenTree::Literal(literal) => self.text(&literal.to_string(), literal.span()),
                TokenTree::Ident(first) => {
                    let field =
                        i > 0 && matches!(&all[i - 1], TokenTree::Punct(p) if p.as_char() == '.');
                    let mut words = vec![first.to_string()];
                    while colon(i + 1) && colon(i + 2) {
                        let Some(TokenTree::Ident(next)) = all.get(i + 3) else {
                            break;
                        };
                        words.push(next.to_string());
                        i += 3;
                    }
                    if let Some(TokenTree::Punct(p)) = all.get(i + 1)
                        && p.as_char() == '!'
                        && matches!(all.get(i + 2), Some(TokenTree::Group(_)))
                    {
                        words.last_mut().into_iter().for_each(|w| w.push('!'));
                    }
                    if !field {
                        self.named(words, first.span().start().line);
                    }
                }
                TokenTree::Punct(_) => {}
            }
            i += 1;
        }
    }

    fn text(&mut self, written: &str, span: proc_macro2::Span) {
        if let Ok(text) = syn::parse_str::<syn::LitStr>(written) {
            let line = span.start().line;
            self.tree.modules[self.at].texts.push((text.value(), line));
        }
    }
}

/// Methods whose last argument says which of two things comes first.
const ORDERING: [&str; 7] = [
    "sort_by",
    "sort_unstable_by",
    "select_nth_unstable_by",
    "binary_search_by",
    "is_sorted_by",
    "min_by",
    "max_by",
];

/// Gathers what a comparator of total orders has no use for: `<` and its kin, by which "equal within a tolerance" is written, and an
/// `Ordering` made by hand.
struct Comparator<'f>(&'f mut Vec<(String, usize)>);

impl<'ast> Visit<'ast> for Comparator<'_> {
    fn visit_bin_op(&mut self, op: &'ast syn::BinOp) {
        use syn::BinOp::{Ge, Gt, Le, Lt};
        if matches!(op, Lt(_) | Le(_) | Gt(_) | Ge(_)) {
            let what = "a comparison inside a comparator".to_string();
            self.0.push((what, op.span().start().line));
        }
    }
    fn visit_path(&mut self, path: &'ast syn::Path) {
        // The type alone is what `cmp` gives back.
        if path
            .segments
            .iter()
            .rev()
            .skip(1)
            .any(|s| s.ident == "Ordering")
        {
            let what = "an Ordering made by hand".to_string();
            self.0.push((what, path.span().start().line));
        }
        visit::visit_path(self, path);
    }
}

fn path_given(inner: &ItemMod) -> Option<String> {
    let given = inner.attrs.iter().find(|a| a.path().is_ident("path"))?;
    let syn::Meta::NameValue(value) = &given.meta else {
        return None;
    };
    match &value.value {
        syn::Expr::Lit(syn::ExprLit {
            lit: syn::Lit::Str(text),
            ..
        }) => Some(text.value()),
        _ => None,
    }
}

impl<'ast> Visit<'ast> for Filling<'_> {
    fn visit_item_use(&mut self, item: &'ast syn::ItemUse) {
        let handed_on = !matches!(item.vis, Visibility::Inherited);
        let line = item.use_token.span.start().line;
        self.import(&item.tree, &[], line, handed_on);
    }
    fn visit_item_fn(&mut self, item: &'ast syn::ItemFn) {
        let (name, test) = (&item.sig.ident, for_tests(&item.attrs));
        self.function(name, item.sig.fn_token.span, &item.block, test);
        visit::visit_item_fn(self, item);
    }
    fn visit_impl_item_fn(&mut self, item: &'ast syn::ImplItemFn) {
        let (name, test) = (&item.sig.ident, for_tests(&item.attrs));
        self.function(name, item.sig.fn_token.span, &item.block, test);
        visit::visit_impl_item_fn(self, item);
    }
    fn visit_trait_item_fn(&mut self, item: &'ast syn::TraitItemFn) {
        if let Some(block) = &item.default {
            self.function(&item.sig.ident, item.sig.fn_token.span, block, false);
        }
        visit::visit_trait_item_fn(self, item);
    }
    fn visit_item_impl(&mut self, item: &'ast syn::ItemImpl) {
        let last = |path: &syn::Path| path.segments.last().map(|s| s.ident.to_string());
        if let (Some((of, _)), syn::Type::Path(own)) = (&item.trait_, &*item.self_ty) {
            let pair = (last(of), last(&own.path));
            if let (Some(of), Some(own)) = pair {
                if of == "Ord" {
                    let found = &mut self.tree.modules[self.at].loose_orders;
                    Comparator(found).visit_item_impl(item);
                }
                self.tree.modules[self.at].implements.push((of, own));
            }
        }
        visit::visit_item_impl(self, item);
    }
    fn visit_expr_method_call(&mut self, call: &'ast syn::ExprMethodCall) {
        let (method, line) = (call.method.to_string(), call.method.span().start().line);
        let found = &mut self.tree.modules[self.at].loose_orders;
        if method == "partial_cmp" {
            found.push((method, line));
        } else if ORDERING.contains(&method.as_str()) {
            match call.args.last() {
                Some(syn::Expr::Path(by)) if by.path.segments.len() == 1 => {
                    found.push(("a comparator that is written elsewhere".into(), line));
                }
                Some(by) => Comparator(found).visit_expr(by),
                None => {}
            }
        }
        visit::visit_expr_method_call(self, call);
    }
    fn visit_path(&mut self, path: &'ast syn::Path) {
        let words: Vec<String> = path.segments.iter().map(|s| s.ident.to_string()).collect();
        let line = path
            .segments
            .first()
            .map_or(0, |s| s.ident.span().start().line);
        if words.last().is_some_and(|w| w == "partial_cmp") {
            let found = &mut self.tree.modules[self.at].loose_orders;
            found.push(("partial_cmp".into(), line));
        }
        self.named(words, line);
        visit::visit_path(self, path);
    }
    fn visit_macro(&mut self, called: &'ast syn::Macro) {
        let mut words: Vec<String> = called
            .path
            .segments
            .iter()
            .map(|s| s.ident.to_string())
            .collect();
        words.last_mut().into_iter().for_each(|w| w.push('!'));
        let line = called.bang_token.span.start().line;
        self.named(words, line);
        self.tokens(&called.tokens);
    }
    fn visit_lit_str(&mut self, text: &'ast syn::LitStr) {
        let line = text.span().start().line;
        self.tree.modules[self.at].texts.push((text.value(), line));
    }
    // Documentation and derives name nothing that the code depends on.
    fn visit_attribute(&mut self, _: &'ast Attribute) {}
}
