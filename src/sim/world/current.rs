//! Where current comes from: the mains, and for some plugs another plug upstream.
//!
//! A plug behind an open one is dead: it conducts nothing, whatever is welded, and says nothing. When the one upstream
//! closes it restarts into its boot state, as after a power cut. Limits: one plug upstream, not a chain.

use super::super::fault::What;
use super::Action;
use super::World;
use super::run::BOOT;

impl World {
    /// Gives a plug its mains, or takes it away.
    pub(super) fn feed(&mut self, index: usize) {
        let upstream = self.upstream[index].is_none_or(|upstream| self.plugs[upstream].conducts());
        let mains = upstream && !self.is_on(What::PowerCut);
        let at = self.at;
        let plug = &mut self.plugs[index];
        if plug.mains == mains {
            return;
        }
        let was_online = plug.is_online();
        plug.count(at);
        if mains {
            let into = plug.boots;
            plug.mains = true;
            self.schedule(at.after(BOOT), Action::Boots { plug: index, into });
        } else {
            plug.go_down(at);
            plug.mains = false;
        }
        self.came_or_went(index, was_online);
        self.feed_behind(index);
    }

    /// The same for every plug behind this one.
    pub(super) fn feed_behind(&mut self, upstream: usize) {
        for index in 0..self.plugs.len() {
            if self.upstream[index] == Some(upstream) {
                self.feed(index);
            }
        }
    }

    /// What flows through a plug upstream is what is drawn behind it.
    pub(super) fn draw_through(&mut self, upstream: usize) {
        let behind = || (0..self.plugs.len()).filter(|index| self.upstream[*index] == Some(upstream));
        if behind().next().is_some() {
            let watts = behind().map(|index| self.plugs[index].true_watts()).sum();
            self.plugs[upstream].watts = watts;
        }
    }
}
