;; Minima and maxima over cells of a depth image, eight pixels at a time. See pyramid.ts.
;;
;; Depths are 16 bits, 0 (none) to 32767; addresses, widths and pitches are bytes, counts are cells. Around each level lie
;; PAD = 12 cells of 0, so that a store may run up to seven cells beyond a row's end; the cells there are set to 0 again.
(module
  (import "kernel" "memory" (memory 1))

  ;; In each 64-bit lane's low 16 bits: the greatest of its four. The upper bits are undefined.
  (func $greatest (param $v v128) (result v128)
    (local.set $v (i16x8.max_u (local.get $v) (i32x4.shr_u (local.get $v) (i32.const 16))))
    (i16x8.max_u (local.get $v) (i64x2.shr_u (local.get $v) (i32.const 32))))

  (func $least (param $v v128) (result v128)
    (local.set $v (i16x8.min_u (local.get $v) (i32x4.shr_u (local.get $v) (i32.const 16))))
    (i16x8.min_u (local.get $v) (i64x2.shr_u (local.get $v) (i32.const 32))))

  (func $sum (param $v v128) (result v128)
    (local.set $v (i16x8.add (local.get $v) (i32x4.shr_u (local.get $v) (i32.const 16))))
    (i16x8.add (local.get $v) (i64x2.shr_u (local.get $v) (i32.const 32))))

  ;; The low 16 bits of four 64-bit lanes, as the low half of a vector.
  (func $pack (param $a v128) (param $b v128) (result v128)
    (i8x16.shuffle 0 1 8 9 16 17 24 25 0 1 8 9 16 17 24 25 (local.get $a) (local.get $b)))

  ;; A row of cells of 4 x 4 pixels, four cells per iteration. Minus one makes a missing 0 the greatest number, so that it
  ;; is no minimum; a cell with more missing pixels than `$holes` gets 0 for its nearest.
  (func (export "finest")
    (param $image i32) (param $pitch i32) (param $columns i32) (param $holes i32) (param $near i32) (param $far i32)
    (local $end i32) (local $row i32) (local $half i32) (local $n i32)
    (local $v v128) (local $most v128) (local $fewest v128) (local $missing v128) (local $one v128) (local $zero v128)
    (local $most0 v128) (local $fewest0 v128) (local $missing0 v128)
    (local.set $one (i16x8.splat (i32.const 1)))
    (local.set $end (i32.add (local.get $near) (i32.shl (local.get $columns) (i32.const 1))))
    (loop $cells
      (local.set $half (i32.const 0))
      (loop $halves
        (local.set $row (i32.add (local.get $image) (local.get $half)))
        (local.set $v (v128.load (local.get $row)))
        (local.set $most (local.get $v))
        (local.set $missing (i16x8.eq (local.get $v) (local.get $zero)))
        (local.set $fewest (i16x8.sub (local.get $v) (local.get $one)))

        (local.set $row (i32.add (local.get $row) (local.get $pitch)))
        (local.set $v (v128.load (local.get $row)))
        (local.set $most (i16x8.max_u (local.get $most) (local.get $v)))
        (local.set $missing (i16x8.add (local.get $missing) (i16x8.eq (local.get $v) (local.get $zero))))
        (local.set $fewest (i16x8.min_u (local.get $fewest) (i16x8.sub (local.get $v) (local.get $one))))

        (local.set $row (i32.add (local.get $row) (local.get $pitch)))
        (local.set $v (v128.load (local.get $row)))
        (local.set $most (i16x8.max_u (local.get $most) (local.get $v)))
        (local.set $missing (i16x8.add (local.get $missing) (i16x8.eq (local.get $v) (local.get $zero))))
        (local.set $fewest (i16x8.min_u (local.get $fewest) (i16x8.sub (local.get $v) (local.get $one))))

        (local.set $row (i32.add (local.get $row) (local.get $pitch)))
        (local.set $v (v128.load (local.get $row)))
        (local.set $most (call $greatest (i16x8.max_u (local.get $most) (local.get $v))))
        (local.set $missing (call $sum (i16x8.add (local.get $missing) (i16x8.eq (local.get $v) (local.get $zero)))))
        (local.set $fewest
          (call $least (i16x8.min_u (local.get $fewest) (i16x8.sub (local.get $v) (local.get $one)))))
        (if (i32.eqz (local.get $half))
          (then
            (local.set $most0 (local.get $most))
            (local.set $missing0 (local.get $missing))
            (local.set $fewest0 (local.get $fewest))
            (local.set $half (i32.const 16))
            (br $halves))))
      (v128.store64_lane 0 (local.get $far) (call $pack (local.get $most0) (local.get $most)))
      ;; Missing pixels were counted downwards from 0.
      (v128.store64_lane 0 (local.get $near)
        (v128.and
          (i16x8.add (call $pack (local.get $fewest0) (local.get $fewest)) (local.get $one))
          (i16x8.ge_s
            (call $pack (local.get $missing0) (local.get $missing))
            (i16x8.splat (i32.sub (i32.const 0) (local.get $holes))))))
      (local.set $image (i32.add (local.get $image) (i32.const 32)))
      (local.set $near (i32.add (local.get $near) (i32.const 8)))
      (local.set $far (i32.add (local.get $far) (i32.const 8)))
      (br_if $cells (i32.lt_u (local.get $near) (local.get $end))))
    ;; Up to three cells beyond the last contain pixels of the next row.
    (local.set $n (i32.sub (local.get $end) (local.get $near)))
    (i64.store (local.get $end) (i64.const 0))
    (i64.store (i32.add (local.get $far) (local.get $n)) (i64.const 0)))

  ;; A row of cells from two rows of cells half as wide. With an odd number of those the last is its own partner.
  (func (export "halve")
    (param $near0 i32) (param $near1 i32) (param $far0 i32) (param $far1 i32) (param $from i32)
    (param $near i32) (param $far i32)
    (local $end i32) (local $a v128) (local $b v128) (local $low v128)
    (local $last i32) (local $p i32) (local $q i32)
    (local.set $low (i32x4.splat (i32.const 0xffff)))
    (local.set $end
      (i32.add (local.get $near) (i32.and (i32.add (local.get $from) (i32.const 1)) (i32.const -2))))
    ;; Of an odd number of cells, the last two above each other.
    (local.set $last (i32.shl (i32.sub (local.get $from) (i32.const 1)) (i32.const 1)))
    (local.set $p (i32.load16_u (i32.add (local.get $near0) (local.get $last))))
    (local.set $q (i32.load16_u (i32.add (local.get $near1) (local.get $last))))
    (loop $cells
      (local.set $a (i16x8.max_s (v128.load (local.get $far0)) (v128.load (local.get $far1))))
      (local.set $b
        (i16x8.max_s (v128.load offset=16 (local.get $far0)) (v128.load offset=16 (local.get $far1))))
      (local.set $a (i16x8.max_s (local.get $a) (i32x4.shr_u (local.get $a) (i32.const 16))))
      (local.set $b (i16x8.max_s (local.get $b) (i32x4.shr_u (local.get $b) (i32.const 16))))
      (v128.store (local.get $far)
        (i16x8.narrow_i32x4_s (v128.and (local.get $a) (local.get $low)) (v128.and (local.get $b) (local.get $low))))
      (local.set $a (i16x8.min_s (v128.load (local.get $near0)) (v128.load (local.get $near1))))
      (local.set $b
        (i16x8.min_s (v128.load offset=16 (local.get $near0)) (v128.load offset=16 (local.get $near1))))
      (local.set $a (i16x8.min_s (local.get $a) (i32x4.shr_u (local.get $a) (i32.const 16))))
      (local.set $b (i16x8.min_s (local.get $b) (i32x4.shr_u (local.get $b) (i32.const 16))))
      (v128.store (local.get $near)
        (i16x8.narrow_i32x4_s (v128.and (local.get $a) (local.get $low)) (v128.and (local.get $b) (local.get $low))))
      (local.set $near0 (i32.add (local.get $near0) (i32.const 32)))
      (local.set $near1 (i32.add (local.get $near1) (i32.const 32)))
      (local.set $far0 (i32.add (local.get $far0) (i32.const 32)))
      (local.set $far1 (i32.add (local.get $far1) (i32.const 32)))
      (local.set $near (i32.add (local.get $near) (i32.const 16)))
      (local.set $far (i32.add (local.get $far) (i32.const 16)))
      (br_if $cells (i32.lt_u (local.get $near) (local.get $end))))
    (if (i32.and (local.get $from) (i32.const 1))
      (then
        (i32.store16 (i32.sub (local.get $end) (i32.const 2))
          (select (local.get $p) (local.get $q) (i32.lt_u (local.get $p) (local.get $q)))))))

  ;; Windows of 2 x 2 cells, from a row of cells and the row below it.
  (func (export "slide")
    (param $near i32) (param $far i32) (param $pitch i32) (param $count i32)
    (param $windowNear i32) (param $windowFar i32)
    (local $end i32) (local $below i32)
    (local.set $end (i32.add (local.get $near) (i32.shl (local.get $count) (i32.const 1))))
    (loop $cells
      (local.set $below (i32.add (local.get $near) (local.get $pitch)))
      (v128.store (local.get $windowNear)
        (i16x8.min_s
          (i16x8.min_s (v128.load (local.get $near)) (v128.load offset=2 (local.get $near)))
          (i16x8.min_s (v128.load (local.get $below)) (v128.load offset=2 (local.get $below)))))
      (local.set $below (i32.add (local.get $far) (local.get $pitch)))
      (v128.store (local.get $windowFar)
        (i16x8.max_s
          (i16x8.max_s (v128.load (local.get $far)) (v128.load offset=2 (local.get $far)))
          (i16x8.max_s (v128.load (local.get $below)) (v128.load offset=2 (local.get $below)))))
      (local.set $near (i32.add (local.get $near) (i32.const 16)))
      (local.set $far (i32.add (local.get $far) (i32.const 16)))
      (local.set $windowNear (i32.add (local.get $windowNear) (i32.const 16)))
      (local.set $windowFar (i32.add (local.get $windowFar) (i32.const 16)))
      (br_if $cells (i32.lt_u (local.get $near) (local.get $end)))))
)
