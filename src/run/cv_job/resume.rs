//! How CV work goes on after a link was lost in the middle of it.
use super::{CvJob, CvOp, Doing, Stage, identity_ops};
use crate::run::cx::Cx;
use crate::run::mover::Mover;

impl CvJob {
    /// Begins anew after a lost link. Meanwhile another engine may have been put there, so identity comes first; then what
    /// every CV in doubt holds is read before it is written again, each write with its intention as ever.
    pub(in crate::run) fn rewind(&mut self, cx: &Cx) {
        match &mut self.stage {
            Stage::Standing(mover) => *mover = Mover::stand(cx),
            Stage::AskThere(_) | Stage::AskBack(_) => {}
            Stage::Begin(_) | Stage::Ops => {
                let doubtful = cx.cvs.doubtful.iter().map(|cv| CvOp::Read(*cv));
                let first: Vec<CvOp> = identity_ops(cx).into_iter().chain(doubtful).collect();
                let ops = std::mem::take(&mut self.ops);
                self.ops = first.into_iter().chain(ops).collect();
                self.total = self.total.max(self.ops.len());
                (self.doing, self.tries) = (Doing::Next, 0);
                // Power that is off from now on is not ours to switch on.
                (self.stage, self.powered, self.interrupted) = (Stage::Begin(None), true, true);
            }
            Stage::End(order) => (*order, self.interrupted) = (None, true),
            Stage::Repower { asked, order } => (*asked, *order, self.interrupted) = (None, None, true),
        }
    }
}
