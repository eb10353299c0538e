// The staircase of the listening test: two right in a row make it harder, one wrong easier.
// Rule and source as in listen/coach/staircase.py; a test holds the two together.

export class Staircase {
  constructor(rule) {
    this.rule = rule;
    this.level_db = rule.start_db;
    this.inARow = 0;
    this.going = 0;
    this.reversals_db = [];
    this.nTrials = 0;
  }

  get step_db() {
    return this.rule.steps_db[Math.min(Math.floor(this.reversals_db.length / 2), this.rule.steps_db.length - 1)];
  }

  get isDone() {
    return this.reversals_db.length >= this.rule.n_reversals || this.nTrials >= this.rule.most_trials;
  }

  // Level at which 70.7 % are right, null before there is one.
  get threshold_db() {
    const kept = this.reversals_db.slice(this.rule.n_left_out);
    const even = kept.slice(kept.length % 2);
    return even.length ? even.reduce((sum, level) => sum + level, 0) / even.length : null;
  }

  answered(right) {
    this.nTrials += 1;
    this.inARow = right ? this.inARow + 1 : 0;
    if (right && this.inARow < 2) return;
    this.inARow = 0;
    const way = right ? -1 : 1;
    const level = this.level_db + way * this.step_db; // the step is that from before this reversal
    if (this.going && this.going !== way) this.reversals_db.push(this.level_db);
    this.going = way;
    this.level_db = Math.min(Math.max(level, this.rule.lowest_db), this.rule.highest_db);
  }
}
