//! No circle between sibling modules.
//!
//! Every path that a module writes (in `use` lines, in code, inside of macros) is followed to the module that defines the name:
//! a re-export is passed through and counts for nothing itself. Both ends are lifted to the children of their nearest common
//! parent, and among the children of one parent no way may lead back to where it began. A module may use its parents and
//! its own children. Tests are left out.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use proc_macro2::{Delimiter, TokenStream, TokenTree};
use quote::ToTokens;

/// A module by its names from the crate's root down; the root is empty.
type Module = Vec<String>;

/// The circles that are left, each as the crate, the parent and the children that use each other.
pub(super) fn circles(crates: &Path) -> Vec<String> {
    let mut found = Vec::new();
    let mut names: Vec<_> = std::fs::read_dir(crates).unwrap().map(|e| e.unwrap().path()).collect();
    names.sort();
    for path in names {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let house = House::read(&path.join("src"));
        for (parent, graph) in house.graphs() {
            for circle in strongly_connected(&graph) {
                found.push(format!("{name}: {}: {}", parent.join("::"), circle.join(" <-> ")));
            }
        }
    }
    found
}

/// The modules of one crate with the paths that they write.
struct House {
    modules: BTreeMap<Module, Vec<Module>>,
    /// Names that a module passes on, and the path of each.
    passed_on: BTreeMap<Module, BTreeMap<String, Module>>,
}

impl House {
    fn read(src: &Path) -> House {
        let mut house = House { modules: BTreeMap::new(), passed_on: BTreeMap::new() };
        house.read_folder(src, &mut Vec::new());
        house
    }

    fn read_folder(&mut self, folder: &Path, module: &mut Module) {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let stem = path.file_stem().unwrap().to_string_lossy().into_owned();
            if stem == "tests" || stem.ends_with("_tests") {
                continue;
            }
            if path.is_dir() {
                module.push(stem);
                self.read_folder(&path, module);
                module.pop();
            } else if path.extension().is_some_and(|e| e == "rs") {
                let mut own = module.clone();
                if !matches!(stem.as_str(), "lib" | "main" | "mod") {
                    own.push(stem);
                }
                self.read_file(&path, &own);
            }
        }
    }

    fn read_file(&mut self, path: &Path, module: &Module) {
        let file = syn::parse_file(&std::fs::read_to_string(path).unwrap()).unwrap();
        let mut paths = Vec::new();
        for item in file.items.iter().filter(|item| !is_test(item)) {
            if let syn::Item::Use(item) = item
                && !matches!(item.vis, syn::Visibility::Inherited)
            {
                let mut passed = Vec::new();
                spread(&item.tree, &mut Vec::new(), &mut passed);
                for (name, path) in passed {
                    let path = absolute(&path, module).unwrap_or_else(|| [&module[..], &path].concat());
                    self.passed_on.entry(module.clone()).or_default().insert(name, path);
                }
            } else {
                paths_in(item.to_token_stream(), &mut paths);
            }
        }
        let absolute = paths.iter().filter_map(|p| absolute(p, module));
        self.modules.entry(module.clone()).or_default().extend(absolute);
    }

    /// The module that a path leads to.
    fn target(&self, path: &[String]) -> Module {
        let mut path = path.to_vec();
        // A name can be passed on more than once.
        for _ in 0..8 {
            let depth = (0..=path.len()).rev().find(|n| self.modules.contains_key(&path[..*n])).unwrap_or(0);
            let (module, rest) = path.split_at(depth);
            let next = rest.first().and_then(|name| self.passed_on.get(module)?.get(name));
            match next {
                Some(passed) => path = [&passed[..], &rest[1..]].concat(),
                None => return module.to_vec(),
            }
        }
        path
    }

    /// For each parent, which of its children uses which.
    fn graphs(&self) -> BTreeMap<Module, BTreeMap<String, BTreeSet<String>>> {
        let mut graphs: BTreeMap<Module, BTreeMap<String, BTreeSet<String>>> = BTreeMap::new();
        for (module, paths) in &self.modules {
            for path in paths {
                let target = self.target(path);
                let common = module.iter().zip(&target).take_while(|(a, b)| a == b).count();
                if common < module.len() && common < target.len() {
                    let graph = graphs.entry(module[..common].to_vec()).or_default();
                    graph.entry(module[common].clone()).or_default().insert(target[common].clone());
                }
            }
        }
        graphs
    }
}

fn is_test(item: &syn::Item) -> bool {
    let attributes = match item {
        syn::Item::Mod(item) => &item.attrs,
        syn::Item::Use(item) => &item.attrs,
        syn::Item::Fn(item) => &item.attrs,
        syn::Item::Impl(item) => &item.attrs,
        syn::Item::Const(item) => &item.attrs,
        _ => return false,
    };
    attributes.iter().any(|a| a.path().is_ident("cfg") && a.to_token_stream().to_string().contains("test"))
}

/// The names of a `use` tree, each with its path.
fn spread(tree: &syn::UseTree, before: &mut Module, out: &mut Vec<(String, Module)>) {
    match tree {
        syn::UseTree::Path(path) => {
            before.push(path.ident.to_string());
            spread(&path.tree, before, out);
            before.pop();
        }
        syn::UseTree::Name(name) => {
            let name = name.ident.to_string();
            out.push((name.clone(), [&before[..], &[name]].concat()));
        }
        syn::UseTree::Rename(renamed) => {
            let path = [&before[..], &[renamed.ident.to_string()]].concat();
            out.push((renamed.rename.to_string(), path));
        }
        syn::UseTree::Group(group) => group.items.iter().for_each(|tree| spread(tree, before, out)),
        syn::UseTree::Glob(_) => {}
    }
}

/// All paths that begin with `crate`, `super` or `self`, from tokens: those inside of macros are found as well.
fn paths_in(tokens: TokenStream, out: &mut Vec<Module>) {
    let tokens: Vec<TokenTree> = tokens.into_iter().collect();
    let mut i = 0;
    while i < tokens.len() {
        match &tokens[i] {
            TokenTree::Ident(word) if word == "crate" || word == "super" || word == "self" => {
                i = follow(&tokens, i, Vec::new(), out);
            }
            TokenTree::Group(group) => {
                paths_in(group.stream(), out);
                i += 1;
            }
            _ => i += 1,
        }
    }
}

/// Follows one path from its word at `i`; gives where it ends.
fn follow(tokens: &[TokenTree], mut i: usize, mut path: Module, out: &mut Vec<Module>) -> usize {
    let is_colon = |i: usize| matches!(tokens.get(i), Some(TokenTree::Punct(p)) if p.as_char() == ':');
    loop {
        match tokens.get(i) {
            Some(TokenTree::Ident(word)) => path.push(word.to_string()),
            Some(TokenTree::Group(group)) if group.delimiter() == Delimiter::Brace => {
                let inner: Vec<TokenTree> = group.stream().into_iter().collect();
                let is_comma = |t: &TokenTree| matches!(t, TokenTree::Punct(p) if p.as_char() == ',');
                for part in inner.split(is_comma).filter(|part| !part.is_empty()) {
                    follow(part, 0, path.clone(), out);
                }
                return i + 1;
            }
            // A glob, or a generic argument.
            _ => break,
        }
        i += 1;
        if !(is_colon(i) && is_colon(i + 1)) {
            break;
        }
        i += 2;
    }
    if path.len() > 1 {
        out.push(path);
    }
    i.max(1)
}

/// A path from the crate's root; `None` when it begins with a name of another kind.
fn absolute(path: &[String], module: &[String]) -> Option<Module> {
    let mut at = match path.first()?.as_str() {
        "crate" => Vec::new(),
        "self" | "super" => module.to_vec(),
        _ => return None,
    };
    let mut rest = path;
    while let Some((first, others)) = rest.split_first() {
        match first.as_str() {
            "crate" | "self" => {}
            "super" => drop(at.pop()),
            _ => break,
        }
        rest = others;
    }
    at.extend_from_slice(rest);
    Some(at)
}

/// Groups of more than one that all lead to each other.
fn strongly_connected(graph: &BTreeMap<String, BTreeSet<String>>) -> Vec<Vec<String>> {
    let reach = |from: &String| {
        let (mut seen, mut open) = (BTreeSet::new(), vec![from]);
        while let Some(node) = open.pop() {
            for next in graph.get(node).into_iter().flatten() {
                if seen.insert(next.clone()) {
                    open.push(next);
                }
            }
        }
        seen
    };
    let reached: BTreeMap<&String, BTreeSet<String>> = graph.keys().map(|node| (node, reach(node))).collect();
    let mut groups: BTreeSet<Vec<String>> = BTreeSet::new();
    for (node, to) in &reached {
        let group: Vec<String> = to
            .iter()
            .filter(|other| reached.get(other).is_some_and(|back| back.contains(*node)))
            .cloned()
            .collect();
        if group.len() > 1 {
            groups.insert(group);
        }
    }
    groups.into_iter().collect()
}
