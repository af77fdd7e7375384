;; The per-pixel tests of a depth mask, eight pixels at a time. See mask.ts. Addresses and pitches are bytes.
(module
  (import "kernel" "memory" (memory 1))

  ;; Depth of four pixels: counts, widened, times a factor each, rounded. In double precision, like the scalar code.
  (func $scale (param $counts v128) (param $factor i32) (result v128)
    (local $low v128) (local $high v128) (local $factors v128)
    (local.set $factors (v128.load (local.get $factor)))
    (local.set $low
      (i32x4.trunc_sat_f64x2_u_zero
        (f64x2.add
          (f64x2.mul (f64x2.convert_low_i32x4_u (local.get $counts)) (f64x2.promote_low_f32x4 (local.get $factors)))
          (f64x2.splat (f64.const 0.5)))))
    (local.set $high
      (i32x4.trunc_sat_f64x2_u_zero
        (f64x2.add
          (f64x2.mul
            (f64x2.convert_low_i32x4_u
              (i8x16.shuffle 8 9 10 11 12 13 14 15 8 9 10 11 12 13 14 15 (local.get $counts) (local.get $counts)))
            (f64x2.promote_low_f32x4
              (i8x16.shuffle 8 9 10 11 12 13 14 15 8 9 10 11 12 13 14 15 (local.get $factors) (local.get $factors))))
          (f64x2.splat (f64.const 0.5)))))
    (i8x16.shuffle 0 1 2 3 4 5 6 7 16 17 18 19 20 21 22 23 (local.get $low) (local.get $high)))

  (func $total (param $v v128) (result i32)
    (local.set $v (i32x4.extadd_pairwise_i16x8_s (local.get $v)))
    (i32.sub
      (i32.const 0)
      (i32.add
        (i32.add (i32x4.extract_lane 0 (local.get $v)) (i32x4.extract_lane 1 (local.get $v)))
        (i32.add (i32x4.extract_lane 2 (local.get $v)) (i32x4.extract_lane 3 (local.get $v))))))

  ;; Depths and reasons of a number of pixels that eight divides and that is at most 8 * 32767: tallies are kept in 16 bits a
  ;; lane. `$signals` and `$factor` are 0 where there are none. Reasons are those of REASON: 1 no return, 2 saturated, 3 weak,
  ;; 5 out of range; of each, so many are added to the numbers from `$tally` on.
  (func (export "judge")
    (param $counts i32) (param $signals i32) (param $factor i32) (param $pixels i32)
    (param $least i32) (param $most i32) (param $full i32) (param $weakest i32) (param $strongest i32)
    (param $depth i32) (param $reason i32) (param $tally i32)
    (local $end i32)
    (local $c v128) (local $s v128) (local $z v128) (local $bad v128) (local $why v128) (local $is v128)
    (local $none v128) (local $saturated v128) (local $weak v128) (local $out v128)
    (local.set $end (i32.add (local.get $counts) (i32.shl (local.get $pixels) (i32.const 1))))
    (loop $pixels
      (local.set $c (v128.load (local.get $counts)))
      ;; Invalid by its count.
      (local.set $bad
        (v128.or
          (v128.or
            (i16x8.lt_u (local.get $c) (i16x8.splat (local.get $least)))
            (i16x8.gt_u (local.get $c) (i16x8.splat (local.get $most))))
          (i16x8.eq (local.get $c) (i16x8.splat (local.get $full)))))
      (local.set $z (v128.andnot (local.get $c) (local.get $bad)))
      (if (local.get $factor)
        (then
          (local.set $z
            (i16x8.narrow_i32x4_u
              (call $scale (i32x4.extend_low_i16x8_u (local.get $z)) (local.get $factor))
              (call $scale
                (i32x4.extend_high_i16x8_u (local.get $z))
                (i32.add (local.get $factor) (i32.const 16)))))
          (local.set $factor (i32.add (local.get $factor) (i32.const 32)))))
      (local.set $s (v128.const i64x2 0 0))
      (local.set $is (i16x8.eq (local.get $c) (i16x8.splat (local.get $full))))
      (local.set $why (v128.const i64x2 0 0))
      (if (local.get $signals)
        (then
          (local.set $s (v128.load (local.get $signals)))
          (local.set $signals (i32.add (local.get $signals) (i32.const 16)))
          (local.set $is
            (v128.or (local.get $is) (i16x8.gt_u (local.get $s) (i16x8.splat (local.get $strongest)))))
          (local.set $why (i16x8.lt_u (local.get $s) (i16x8.splat (local.get $weakest))))
          (local.set $z (v128.andnot (local.get $z) (v128.or (local.get $is) (local.get $why))))))
      (v128.store (local.get $depth) (local.get $z))
      (local.set $bad (i16x8.eq (local.get $z) (v128.const i64x2 0 0)))
      (if (v128.any_true (local.get $bad))
        (then
          ;; The first reason that applies counts.
          (local.set $c (v128.and (local.get $bad) (i16x8.eq (local.get $c) (v128.const i64x2 0 0))))
          (local.set $none (i16x8.add (local.get $none) (local.get $c)))
          (local.set $bad (v128.andnot (local.get $bad) (local.get $c)))
          (local.set $is (v128.and (local.get $bad) (local.get $is)))
          (local.set $saturated (i16x8.add (local.get $saturated) (local.get $is)))
          (local.set $bad (v128.andnot (local.get $bad) (local.get $is)))
          (local.set $why (v128.and (local.get $bad) (local.get $why)))
          (local.set $weak (i16x8.add (local.get $weak) (local.get $why)))
          (local.set $bad (v128.andnot (local.get $bad) (local.get $why)))
          (local.set $out (i16x8.add (local.get $out) (local.get $bad)))
          (local.set $bad
            (v128.or
              (v128.or
                (v128.and (local.get $c) (i16x8.splat (i32.const 1)))
                (v128.and (local.get $is) (i16x8.splat (i32.const 2))))
              (v128.or
                (v128.and (local.get $why) (i16x8.splat (i32.const 3)))
                (v128.and (local.get $bad) (i16x8.splat (i32.const 5))))))))
      (v128.store64_lane 0 (local.get $reason) (i8x16.narrow_i16x8_u (local.get $bad) (local.get $bad)))
      (local.set $counts (i32.add (local.get $counts) (i32.const 16)))
      (local.set $depth (i32.add (local.get $depth) (i32.const 16)))
      (local.set $reason (i32.add (local.get $reason) (i32.const 8)))
      (br_if $pixels (i32.lt_u (local.get $counts) (local.get $end))))
    (i32.store offset=4 (local.get $tally)
      (i32.add (i32.load offset=4 (local.get $tally)) (call $total (local.get $none))))
    (i32.store offset=8 (local.get $tally)
      (i32.add (i32.load offset=8 (local.get $tally)) (call $total (local.get $saturated))))
    (i32.store offset=12 (local.get $tally)
      (i32.add (i32.load offset=12 (local.get $tally)) (call $total (local.get $weak))))
    (i32.store offset=20 (local.get $tally)
      (i32.add (i32.load offset=20 (local.get $tally)) (call $total (local.get $out)))))

  ;; All ones where the smaller of two depths is below the larger by a jump; a missing return makes no jump.
  (func $isJump (param $a v128) (param $b v128) (param $shift1 i32) (param $shift2 i32) (result v128)
    (local $most v128) (local $least v128)
    (local.set $most (i16x8.max_s (local.get $a) (local.get $b)))
    (local.set $least (i16x8.min_s (local.get $a) (local.get $b)))
    (v128.and
      (i16x8.gt_s
        (i16x8.sub
          (i16x8.sub (local.get $most) (i16x8.shr_u (local.get $most) (local.get $shift1)))
          (i16x8.shr_u (local.get $most) (local.get $shift2)))
        (local.get $least))
      (i16x8.gt_s (local.get $least) (v128.const i64x2 0 0))))

  ;; Lists the pixels beside a jump: 4 * pixel, + 1 if it jumps from the pixel before, + 2 if from the one above. Before the
  ;; image there is a row and more of zeros. The first pixel of a row is compared with the last of the row above.
  (func (export "jumps")
    (param $depth i32) (param $pixels i32) (param $pitch i32) (param $shift1 i32) (param $shift2 i32) (param $list i32)
    (result i32)
    (local $pixel i32) (local $start i32) (local $along i32) (local $down i32) (local $any i32) (local $lane i32)
    (local $z v128) (local $a v128) (local $b v128)
    (local.set $start (local.get $list))
    (loop $pixels
      (local.set $z (v128.load (local.get $depth)))
      (local.set $a
        (call $isJump (local.get $z) (v128.load (i32.sub (local.get $depth) (i32.const 2)))
          (local.get $shift1) (local.get $shift2)))
      (local.set $b
        (call $isJump (local.get $z) (v128.load (i32.sub (local.get $depth) (local.get $pitch)))
          (local.get $shift1) (local.get $shift2)))
      (if (v128.any_true (v128.or (local.get $a) (local.get $b)))
        (then
          (local.set $along (i16x8.bitmask (local.get $a)))
          (local.set $down (i16x8.bitmask (local.get $b)))
          (local.set $any (i32.or (local.get $along) (local.get $down)))
          (loop $lanes
            (local.set $lane (i32.ctz (local.get $any)))
            (i32.store (local.get $list)
              (i32.or
                (i32.shl (i32.add (local.get $pixel) (local.get $lane)) (i32.const 2))
                (i32.or
                  (i32.and (i32.shr_u (local.get $along) (local.get $lane)) (i32.const 1))
                  (i32.shl
                    (i32.and (i32.shr_u (local.get $down) (local.get $lane)) (i32.const 1))
                    (i32.const 1)))))
            (local.set $list (i32.add (local.get $list) (i32.const 4)))
            (local.set $any (i32.and (local.get $any) (i32.sub (local.get $any) (i32.const 1))))
            (br_if $lanes (local.get $any)))))
      (local.set $depth (i32.add (local.get $depth) (i32.const 16)))
      (local.set $pixel (i32.add (local.get $pixel) (i32.const 8)))
      (br_if $pixels (i32.lt_u (local.get $pixel) (local.get $pixels))))
    (i32.shr_u (i32.sub (local.get $list) (local.get $start)) (i32.const 2)))
)
