// @ts-nocheck: bundled JavaScript has no types; elementary.ts gives them
/*!
 * Made by `npm run generate` from the packages @stdlib/math-base-special-*. Do not edit.
 * acos 0.2.4, asin 0.2.4, atan 0.2.4, atan2 0.3.1, cbrt 0.2.3, cos 0.3.1, exp 0.2.5, ln 0.2.5, log1p 0.2.4, log2 0.3.1, pow 0.3.1, sin 0.3.1, tan 0.3.1
 *
 * Copyright (c) 2016-2026 The Stdlib Authors.
 * Licensed under the Apache License, Version 2.0: https://www.apache.org/licenses/LICENSE-2.0
 *
 * Copyright (C) 1993 by Sun Microsystems, Inc. All rights reserved.
 *
 * Developed at SunPro, a Sun Microsystems, Inc. business.
 * Permission to use, copy, modify, and distribute this
 * software is freely granted, provided that this notice
 * is preserved.
 * Copyright (C) 1993 by Sun Microsystems, Inc. All rights reserved.
 *
 * Developed at SunPro, a Sun Microsystems, Inc. business.
 * Permission to use, copy, modify, and distribute this
 * software is freely granted, provided that this notice
 * is preserved.
 *
 * Optimized by Bruce D. Evans.
 * Copyright (C) 2004 by Sun Microsystems, Inc. All rights reserved.
 *
 * Developed at SunPro, a Sun Microsystems, Inc. business.
 * Permission to use, copy, modify, and distribute this
 * software is freely granted, provided that this notice
 * is preserved.
 * Copyright (c) 2009 The Go Authors. All rights reserved.
 *
 * Redistribution and use in source and binary forms, with or without
 * modification, are permitted provided that the following conditions are
 * met:
 *
 *    * Redistributions of source code must retain the above copyright
 * notice, this list of conditions and the following disclaimer.
 *    * Redistributions in binary form must reproduce the above
 * copyright notice, this list of conditions and the following disclaimer
 * in the documentation and/or other materials provided with the
 * distribution.
 *    * Neither the name of Google Inc. nor the names of its
 * contributors may be used to endorse or promote products derived from
 * this software without specific prior written permission.
 *
 * THIS SOFTWARE IS PROVIDED BY THE COPYRIGHT HOLDERS AND CONTRIBUTORS
 * "AS IS" AND ANY EXPRESS OR IMPLIED WARRANTIES, INCLUDING, BUT NOT
 * LIMITED TO, THE IMPLIED WARRANTIES OF MERCHANTABILITY AND FITNESS FOR
 * A PARTICULAR PURPOSE ARE DISCLAIMED. IN NO EVENT SHALL THE COPYRIGHT
 * OWNER OR CONTRIBUTORS BE LIABLE FOR ANY DIRECT, INDIRECT, INCIDENTAL,
 * SPECIAL, EXEMPLARY, OR CONSEQUENTIAL DAMAGES (INCLUDING, BUT NOT
 * LIMITED TO, PROCUREMENT OF SUBSTITUTE GOODS OR SERVICES; LOSS OF USE,
 * DATA, OR PROFITS; OR BUSINESS INTERRUPTION) HOWEVER CAUSED AND ON ANY
 * THEORY OF LIABILITY, WHETHER IN CONTRACT, STRICT LIABILITY, OR TORT
 * (INCLUDING NEGLIGENCE OR OTHERWISE) ARISING IN ANY WAY OUT OF THE USE
 * OF THIS SOFTWARE, EVEN IF ADVISED OF THE POSSIBILITY OF SUCH DAMAGE.
 * Copyright (c) 2009 The Go Authors. All rights reserved.
 *
 * Redistribution and use in source and binary forms, with or without
 * modification, are permitted provided that the following conditions are
 * met:
 *
 *    * Redistributions of source code must retain the above copyright
 * notice, this list of conditions and the following disclaimer.
 *    * Redistributions in binary form must reproduce the above
 * copyright notice, this list of conditions and the following disclaimer
 * in the documentation and/or other materials provided with the
 * distribution.
 *    * Neither the name of Google Inc. nor the names of its
 * contributors may be used to endorse or promote products derived from
 * this software without specific prior written permission.
 *
 * THIS SOFTWARE IS PROVIDED BY THE COPYRIGHT HOLDERS AND CONTRIBUTORS
 * "AS IS" AND ANY EXPRESS OR IMPLIED WARRANTIES, INCLUDING, BUT NOT
 * LIMITED TO, THE IMPLIED WARRANTIES OF MERCHANTABILITY AND FITNESS FOR
 * A PARTICULAR PURPOSE ARE DISCLAIMED. IN NO EVENT SHALL THE COPYRIGHT
 * OWNER OR CONTRIBUTORS BE LIABLE FOR ANY DIRECT, INDIRECT, INCIDENTAL,
 * SPECIAL, EXEMPLARY, OR CONSEQUENTIAL DAMAGES (INCLUDING, BUT NOT
 * LIMITED TO, PROCUREMENT OF SUBSTITUTE GOODS OR SERVICES; LOSS OF USE,
 * DATA, OR PROFITS; OR BUSINESS INTERRUPTION) HOWEVER CAUSED AND ON ANY
 * THEORY OF LIABILITY, WHETHER IN CONTRACT, STRICT LIABILITY, OR TORT
 * (INCLUDING NEGLIGENCE OR OTHERWISE) ARISING IN ANY WAY OUT OF THE USE
 * OF THIS SOFTWARE, EVEN IF ADVISED OF THE POSSIBILITY OF SUCH DAMAGE.
 *
 *
 *
 * Copyright (C) 2004 by Sun Microsystems, Inc. All rights reserved.
 *
 * Developed at SunPro, a Sun Microsystems, Inc. business.
 * Permission to use, copy, modify, and distribute this
 * software is freely granted, provided that this notice
 * is preserved.
 * Copyright 1984, 1995, 2000 by Stephen L. Moshier
 *
 * Some software in this archive may be from the book _Methods and Programs for Mathematical Functions_ (Prentice-Hall or Simon & Schuster International, 1989) or from the Cephes Mathematical Library, a commercial product. In either event, it is copyrighted by the author. What you see here may be used freely but it comes with no support or guarantee.
 *
 * Stephen L. Moshier
 * moshier@na-net.ornl.gov
 */

var Ev=Object.create;var Oe=Object.defineProperty;var Sv=Object.getOwnPropertyDescriptor;var Wv=Object.getOwnPropertyNames;var Lv=Object.getPrototypeOf,Tv=Object.prototype.hasOwnProperty;var i=(r,e)=>()=>{try{return e||r((e={exports:{}}).exports,e),e.exports}catch(t){throw e=0,t}};var Fv=(r,e,t,a)=>{if(e&&typeof e=="object"||typeof e=="function")for(let s of Wv(e))!Tv.call(r,s)&&s!==t&&Oe(r,s,{get:()=>e[s],
enumerable:!(a=Sv(e,s))||a.enumerable});return r};var E=(r,e,t)=>(t=r!=null?Ev(Lv(r)):{},Fv(e||!r||!r.__esModule?Oe(t,"default",{value:r,enumerable:!0}):t,r));var Ee=i((a4,He)=>{"use strict";function dv(r){return r!==r}He.exports=dv});var S=i((u4,Se)=>{"use strict";var mv=Ee();Se.exports=mv});var Le=i((s4,We)=>{"use strict";var gv=Math.sqrt;We.exports=gv});var tr=i((v4,Te)=>{"use strict";var Pv=Le();Te.exports=Pv});var ir=i((n4,Fe)=>{"use strict";var Gv=.7853981633974483;Fe.exports=Gv});var me=i((o4,de)=>{"use strict";function Mv(r){var e,t,a;return r===0?.16666666666666713:(r<0?e=-r:e=r,e<=1?(t=-8.198089802484825+
r*(19.562619833175948+r*(-16.262479672107002+r*(5.444622390564711+r*(-.6019598008014124+r*.004253011369004428)))),a=-49.18853881490881+
r*(139.51056146574857+r*(-147.1791292232726+r*(70.49610280856842+r*(-14.740913729888538+r*1))))):(r=1/r,t=.004253011369004428+
r*(-.6019598008014124+r*(5.444622390564711+r*(-16.262479672107002+r*(19.562619833175948+r*-8.198089802484825)))),a=1+r*(-14.740913729888538+
r*(70.49610280856842+r*(-147.1791292232726+r*(139.51056146574857+r*-49.18853881490881))))),t/a)}de.exports=Mv});var Pe=i((f4,ge)=>{"use strict";function hv(r){var e,t,a;return r===0?.08333333333333809:(r<0?e=-r:e=r,e<=1?(t=28.536655482610616+
r*(-25.56901049652825+r*(6.968710824104713+r*(-.5634242780008963+r*.002967721961301243))),a=342.43986579130785+r*(-383.8770957603691+
r*(147.0656354026815+r*(-21.947795316429207+r*1)))):(r=1/r,t=.002967721961301243+r*(-.5634242780008963+r*(6.968710824104713+
r*(-25.56901049652825+r*28.536655482610616))),a=1+r*(-21.947795316429207+r*(147.0656354026815+r*(-383.8770957603691+r*342.43986579130785)))),
t/a)}ge.exports=hv});var he=i((c4,Me)=>{"use strict";var Dv=S(),Rv=tr(),Ge=ir(),Bv=me(),Uv=Pe(),wv=6123233995736766e-32;function bv(r){var e,
t,a,s,u;if(Dv(r))return NaN;if(r>0?a=r:(e=!0,a=-r),a>1)return NaN;if(a>.625)t=1-a,s=t*Uv(t),t=Rv(t+t),u=Ge-t,t=t*s-wv,u-=
t,u+=Ge;else{if(a<1e-8)return r;t=a*a,u=t*Bv(t),u=a*u+a}return e?-u:u}Me.exports=bv});var Fr=i((p4,De)=>{"use strict";var xv=he();De.exports=xv});var we=i((q4,Ue)=>{"use strict";var Xv=S(),Re=Fr(),Cv=tr(),Be=ir(),yv=6123233995736766e-32;function Kv(r){var e;return Xv(
r)?NaN:r<-1||r>1?NaN:r>.5?2*Re(Cv(.5-.5*r)):(e=Be-Re(r),e+=yv,e+=Be,e)}Ue.exports=Kv});var xe=i((l4,be)=>{"use strict";var Vv=we();be.exports=Vv});var L=i((_4,Xe)=>{"use strict";var kv=Number.POSITIVE_INFINITY;Xe.exports=kv});var ye=i((I4,Ce)=>{"use strict";var Qv=1.5707963267948966;Ce.exports=Qv});var Ve=i((A4,Ke)=>{"use strict";Ke.exports=Number});var Qe=i((N4,ke)=>{"use strict";var Yv=Ve();ke.exports=Yv});var T=i((O4,Ye)=>{"use strict";var Zv=Qe(),Jv=Zv.NEGATIVE_INFINITY;Ye.exports=Jv});var Je=i((H4,Ze)=>{"use strict";function $v(r){return r===0?-64.85021904942025:-64.85021904942025+r*(-122.88666844901361+
r*(-75.00855792314705+r*(-16.157537187333652+r*-.8750608600031904)))}Ze.exports=$v});var ze=i((E4,$e)=>{"use strict";function zv(r){return r===0?194.5506571482614:194.5506571482614+r*(485.3903996359137+r*(432.88106049129027+
r*(165.02700983169885+r*(24.858464901423062+r*1))))}$e.exports=zv});var e0=i((S4,r0)=>{"use strict";var jv=S(),r1=L(),dr=ye(),e1=ir(),t1=T(),i1=Je(),a1=ze(),je=6123233995736766e-32,u1=2.414213562373095;
function s1(r){var e,t,a,s;return jv(r)||r===0?r:r===r1?dr:r===t1?-dr:(r<0&&(t=!0,r=-r),e=0,r>u1?(a=dr,e=1,r=-(1/r)):r<=
.66?a=0:(a=e1,e=2,r=(r-1)/(r+1)),s=r*r,s=s*i1(s)/a1(s),s=r*s+r,e===2?s+=.5*je:e===1&&(s+=je),a+=s,t?-a:a)}r0.exports=s1});var mr=i((W4,t0)=>{"use strict";var v1=e0();t0.exports=v1});var a0=i((L4,i0)=>{"use strict";var n1=L(),o1=T();function f1(r){return r===n1||r===o1}i0.exports=f1});var V=i((T4,u0)=>{"use strict";var c1=a0();u0.exports=c1});var gr=i((F4,s0)=>{"use strict";var p1=2147483648;s0.exports=p1});var W=i((d4,v0)=>{"use strict";var q1=2147483647;v0.exports=q1});var Pr=i((m4,n0)=>{n0.exports=(r,e,t)=>Object.defineProperty(r,e,{value:t})});var B=i((g4,o0)=>{o0.exports=Uint32Array});var U=i((P4,f0)=>{f0.exports=Float64Array});var p0=i((G4,c0)=>{"use strict";function l1(){return typeof Symbol=="function"&&typeof Symbol("foo")=="symbol"}c0.exports=
l1});var l0=i((M4,q0)=>{"use strict";var _1=p0();q0.exports=_1});var I0=i((h4,_0)=>{"use strict";var I1=l0(),A1=I1();function N1(){return A1&&typeof Symbol.toStringTag=="symbol"}_0.exports=
N1});var N0=i((D4,A0)=>{"use strict";var O1=I0();A0.exports=O1});var Gr=i((R4,O0)=>{"use strict";var H1=Object.prototype.toString;O0.exports=H1});var E0=i((B4,H0)=>{"use strict";var E1=Gr();function S1(r){return E1.call(r)}H0.exports=S1});var W0=i((U4,S0)=>{"use strict";var W1=Object.prototype.hasOwnProperty;function L1(r,e){return r==null?!1:W1.call(r,e)}S0.
exports=L1});var T0=i((w4,L0)=>{"use strict";var T1=W0();L0.exports=T1});var d0=i((b4,F0)=>{"use strict";var F1=typeof Symbol=="function"?Symbol:void 0;F0.exports=F1});var g0=i((x4,m0)=>{"use strict";var d1=d0();m0.exports=d1});var M0=i((X4,G0)=>{"use strict";var P0=g0(),m1=typeof P0=="function"?P0.toStringTag:"";G0.exports=m1});var D0=i((C4,h0)=>{"use strict";var g1=T0(),Z=M0(),Mr=Gr();function P1(r){var e,t,a;if(r==null)return Mr.call(r);t=r[Z],
e=g1(r,Z);try{r[Z]=void 0}catch{return Mr.call(r)}return a=Mr.call(r),e?r[Z]=t:delete r[Z],a}h0.exports=P1});var Dr=i((y4,R0)=>{"use strict";var G1=N0(),M1=E0(),h1=D0(),hr;G1()?hr=h1:hr=M1;R0.exports=hr});var U0=i((K4,B0)=>{"use strict";var D1=Dr(),R1=typeof Uint8Array=="function";function B1(r){return R1&&r instanceof Uint8Array||
D1(r)==="[object Uint8Array]"}B0.exports=B1});var b0=i((V4,w0)=>{"use strict";var U1=U0();w0.exports=U1});var X0=i((k4,x0)=>{"use strict";var w1=255;x0.exports=w1});var y0=i((Q4,C0)=>{"use strict";var b1=typeof Uint8Array=="function"?Uint8Array:null;C0.exports=b1});var k0=i((Y4,V0)=>{"use strict";var x1=b0(),Rr=X0(),K0=y0();function X1(){var r,e;if(typeof K0!="function")return!1;try{
e=[1,3.14,-3.14,Rr+1,Rr+2],e=new K0(e),r=x1(e)&&e[0]===1&&e[1]===3&&e[2]===Rr-2&&e[3]===0&&e[4]===1}catch{r=!1}return r}
V0.exports=X1});var Y0=i((Z4,Q0)=>{"use strict";var C1=k0();Q0.exports=C1});var J0=i((J4,Z0)=>{"use strict";var y1=typeof Uint8Array=="function"?Uint8Array:void 0;Z0.exports=y1});var z0=i(($4,$0)=>{"use strict";function K1(){throw new Error("not implemented")}$0.exports=K1});var rt=i((z4,j0)=>{"use strict";var V1=Y0(),k1=J0(),Q1=z0(),Br;V1()?Br=k1:Br=Q1;j0.exports=Br});var tt=i((j4,et)=>{"use strict";var Y1=Dr(),Z1=typeof Uint16Array=="function";function J1(r){return Z1&&r instanceof Uint16Array||
Y1(r)==="[object Uint16Array]"}et.exports=J1});var at=i((r5,it)=>{"use strict";var $1=tt();it.exports=$1});var st=i((e5,ut)=>{"use strict";var z1=65535;ut.exports=z1});var nt=i((t5,vt)=>{"use strict";var j1=typeof Uint16Array=="function"?Uint16Array:null;vt.exports=j1});var ct=i((i5,ft)=>{"use strict";var rn=at(),Ur=st(),ot=nt();function en(){var r,e;if(typeof ot!="function")return!1;try{
e=[1,3.14,-3.14,Ur+1,Ur+2],e=new ot(e),r=rn(e)&&e[0]===1&&e[1]===3&&e[2]===Ur-2&&e[3]===0&&e[4]===1}catch{r=!1}return r}
ft.exports=en});var qt=i((a5,pt)=>{"use strict";var tn=ct();pt.exports=tn});var _t=i((u5,lt)=>{"use strict";var an=typeof Uint16Array=="function"?Uint16Array:void 0;lt.exports=an});var At=i((s5,It)=>{"use strict";function un(){throw new Error("not implemented")}It.exports=un});var Ot=i((v5,Nt)=>{"use strict";var sn=qt(),vn=_t(),nn=At(),wr;sn()?wr=vn:wr=nn;Nt.exports=wr});var Et=i((n5,Ht)=>{"use strict";var on=rt(),fn=Ot(),cn={uint16:fn,uint8:on};Ht.exports=cn});var Tt=i((o5,Lt)=>{"use strict";var St=Et(),Wt;function pn(){var r,e;return r=new St.uint16(1),r[0]=4660,e=new St.uint8(
r.buffer),e[0]===52}Wt=pn();Lt.exports=Wt});var w=i((f5,Ft)=>{"use strict";var qn=Tt();Ft.exports=qn});var gt=i((c5,mt)=>{"use strict";var ln=w(),dt,br,xr;ln===!0?(br=1,xr=0):(br=0,xr=1);dt={HIGH:br,LOW:xr};mt.exports=dt});var Xr=i((p5,ht)=>{"use strict";var _n=B(),In=U(),Gt=gt(),Mt=new In(1),Pt=new _n(Mt.buffer),An=Gt.HIGH,Nn=Gt.LOW;function On(r,e,t,a){
return Mt[0]=r,e[a]=Pt[An],e[a+t]=Pt[Nn],e}ht.exports=On});var Rt=i((q5,Dt)=>{"use strict";var Hn=Xr();function En(r){return Hn(r,[0,0],1,0)}Dt.exports=En});var k=i((l5,Ut)=>{"use strict";var Sn=Pr(),Bt=Rt(),Wn=Xr();Sn(Bt,"assign",Wn);Ut.exports=Bt});var bt=i((_5,wt)=>{"use strict";var Ln=w(),Cr;Ln===!0?Cr=1:Cr=0;wt.exports=Cr});var Ct=i((I5,Xt)=>{"use strict";var Tn=B(),Fn=U(),dn=bt(),xt=new Fn(1),mn=new Tn(xt.buffer);function gn(r){return xt[0]=
r,mn[dn]}Xt.exports=gn});var N=i((A5,yt)=>{"use strict";var Pn=Ct();yt.exports=Pn});var kt=i((N5,Vt)=>{"use strict";var Gn=w(),Kt,yr,Kr;Gn===!0?(yr=1,Kr=0):(yr=0,Kr=1);Kt={HIGH:yr,LOW:Kr};Vt.exports=Kt});var $t=i((O5,Jt)=>{"use strict";var Mn=B(),hn=U(),Yt=kt(),Zt=new hn(1),Qt=new Mn(Zt.buffer),Dn=Yt.HIGH,Rn=Yt.LOW;function Bn(r,e){
return Qt[Dn]=r,Qt[Rn]=e,Zt[0]}Jt.exports=Bn});var J=i((H5,zt)=>{"use strict";var Un=$t();zt.exports=Un});var ri=i((E5,jt)=>{"use strict";var wn=gr(),bn=W(),xn=k(),Xn=N(),Cn=J(),Vr=[0,0];function yn(r,e){var t,a;return xn.assign(
r,Vr,1,0),t=Vr[0],t&=bn,a=Xn(e),a&=wn,t|=a,Cn(t,Vr[1])}jt.exports=yn});var ar=i((S5,ei)=>{"use strict";var Kn=ri();ei.exports=Kn});var ii=i((W5,ti)=>{"use strict";var Vn=N();function kn(r){var e=Vn(r);return!!(e>>>31)}ti.exports=kn});var ui=i((L5,ai)=>{"use strict";var Qn=ii();ai.exports=Qn});var vi=i((T5,si)=>{"use strict";var Yn=3.141592653589793;si.exports=Yn});var fi=i((F5,oi)=>{"use strict";var ur=V(),g=ar(),Zn=ui(),ni=S(),Jn=mr(),$n=L(),P=vi();function zn(r,e){var t;return ni(
e)||ni(r)?NaN:ur(e)?e===$n?ur(r)?g(P/4,r):g(0,r):ur(r)?g(3*P/4,r):g(P,r):ur(r)?g(P/2,r):r===0?e>=0&&!Zn(e)?g(0,r):g(P,r):
e===0?g(P/2,r):(t=Jn(r/e),e<0?t<=0?t+P:t-P:t)}oi.exports=zn});var pi=i((d5,ci)=>{"use strict";var jn=fi();ci.exports=jn});var kr=i((m5,qi)=>{"use strict";var r6=22250738585072014e-324;qi.exports=r6});var _i=i((g5,li)=>{"use strict";var e6=w(),Qr;e6===!0?Qr=1:Qr=0;li.exports=Qr});var Ai=i((P5,Ii)=>{"use strict";var t6=B(),i6=U(),a6=_i(),Yr=new i6(1),u6=new t6(Yr.buffer);function s6(r,e){return Yr[0]=
r,u6[a6]=e>>>0,Yr[0]}Ii.exports=s6});var b=i((G5,Ni)=>{"use strict";var v6=Ai();Ni.exports=v6});var Hi=i((M5,Oi)=>{"use strict";function n6(r){return r===0?1.87595182427177:1.87595182427177+r*(-1.8849797954337717+r*(1.6214297201053545+
r*(-.758397934778766+r*.14599619288661245)))}Oi.exports=n6});var Li=i((h5,Wi)=>{"use strict";var o6=kr(),f6=gr(),Ei=W(),Jr=N(),c6=b(),p6=V(),Si=J(),q6=k(),l6=S(),_6=Hi(),I6=4294967295,
A6=3221225472,N6=0x40000000000000,Zr=2147483648,O6=1,H6=715094163,E6=696219795,S6=Jr(o6),x=[0,0];function W6(r){var e,t,
a,s,u,v,f;return r===0||l6(r)||p6(r)?r:(t=Jr(r)>>>0,e=(t&f6)>>>0,t&=Ei,t<S6?(v=N6*r,a=(Jr(v)&Ei)>>>0,a=(a/3>>>0)+E6>>>0,
v=Si(e|a,0)):(v=0,a=(t/3>>>0)+H6>>>0,v=c6(v,e|a)),s=v*v*(v/r),v*=_6(s),q6.assign(v,x,1,0),x[1]&Zr?(x[0]+=O6,x[1]&=~Zr):x[1]|=
Zr,v=Si(x[0]&I6,x[1]&A6),u=v*v,s=r/u,f=v+v,s=(s-v)/(f+s),v+=v*s,v)}Wi.exports=W6});var Fi=i((D5,Ti)=>{"use strict";var L6=Li();Ti.exports=L6});var mi=i((R5,di)=>{"use strict";function T6(r){return r===0?.0416666666666666:.0416666666666666+r*(-.001388888888887411+
r*2480158728947673e-20)}di.exports=T6});var Pi=i((B5,gi)=>{"use strict";function F6(r){return r===0?-27557314351390663e-23:-27557314351390663e-23+r*(2087572321298175e-24+
r*-11359647557788195e-27)}gi.exports=F6});var Mi=i((U5,Gi)=>{"use strict";var d6=mi(),m6=Pi();function g6(r,e){var t,a,s,u;return u=r*r,s=u*u,a=u*d6(u),a+=s*s*m6(
u),t=.5*u,s=1-t,s+(1-s-t+(u*a-r*e))}Gi.exports=g6});var $r=i((w5,hi)=>{"use strict";var P6=Mi();hi.exports=P6});var Bi=i((b5,Ri)=>{"use strict";var Di=-.16666666666666632,G6=.00833333333332249,M6=-.0001984126982985795,h6=27557313707070068e-22,
D6=-25050760253406863e-24,R6=158969099521155e-24;function B6(r,e){var t,a,s,u;return u=r*r,s=u*u,t=G6+u*(M6+u*h6)+u*s*(D6+
u*R6),a=u*r,e===0?r+a*(Di+u*t):r-(u*(.5*e-a*t)-e-a*Di)}Ri.exports=B6});var zr=i((x5,Ui)=>{"use strict";var U6=Bi();Ui.exports=U6});var Q=i((X5,wi)=>{"use strict";var w6=2146435072;wi.exports=w6});var sr=i((C5,bi)=>{"use strict";var b6=1048575;bi.exports=b6});var Xi=i((y5,xi)=>{"use strict";var x6=w(),jr;x6===!0?jr=0:jr=1;xi.exports=jr});var Ki=i((K5,yi)=>{"use strict";var X6=B(),C6=U(),y6=Xi(),Ci=new C6(1),K6=new X6(Ci.buffer);function V6(r){return Ci[0]=
r,K6[y6]}yi.exports=V6});var ki=i((V5,Vi)=>{"use strict";var k6=Ki();Vi.exports=k6});var Yi=i((k5,Qi)=>{"use strict";var Q6=Math.floor;Qi.exports=Q6});var vr=i((Q5,Zi)=>{"use strict";var Y6=Yi();Zi.exports=Y6});var G=i((Y5,Ji)=>{"use strict";var Z6=1023;Ji.exports=Z6});var zi=i((Z5,$i)=>{"use strict";var J6=1023;$i.exports=J6});var ra=i((J5,ji)=>{"use strict";var $6=-1023;ji.exports=$6});var ta=i(($5,ea)=>{"use strict";var z6=-1074;ea.exports=z6});var aa=i((z5,ia)=>{"use strict";function j6(r){return Math.abs(r)}ia.exports=j6});var nr=i((j5,ua)=>{"use strict";var r2=aa();ua.exports=r2});var re=i((r8,sa)=>{"use strict";var e2=kr(),t2=V(),i2=S(),a2=nr(),u2=4503599627370496;function s2(r,e,t,a){return i2(r)||
t2(r)?(e[a]=r,e[a+t]=0,e):r!==0&&a2(r)<e2?(e[a]=r*u2,e[a+t]=-52,e):(e[a]=r,e[a+t]=0,e)}sa.exports=s2});var na=i((e8,va)=>{"use strict";var v2=re();function n2(r){return v2(r,[0,0],1,0)}va.exports=n2});var ca=i((t8,fa)=>{"use strict";var o2=Pr(),oa=na(),f2=re();o2(oa,"assign",f2);fa.exports=oa});var qa=i((i8,pa)=>{"use strict";var c2=N(),p2=Q(),q2=G();function l2(r){var e=c2(r);return e=(e&p2)>>>20,e-q2|0}pa.exports=
l2});var _a=i((a8,la)=>{"use strict";var _2=qa();la.exports=_2});var Aa=i((u8,Ia)=>{"use strict";var I2=L(),A2=T(),N2=G(),O2=zi(),H2=ra(),E2=ta(),S2=S(),W2=V(),L2=ar(),T2=ca().assign,F2=_a(),
d2=k(),m2=J(),g2=2220446049250313e-31,P2=2148532223,ee=[0,0],te=[0,0];function G2(r,e){var t,a;return e===0||r===0||S2(r)||
W2(r)?r:(T2(r,ee,1,0),r=ee[0],e+=ee[1],e+=F2(r),e<E2?L2(0,r):e>O2?r<0?A2:I2:(e<=H2?(e+=52,a=g2):a=1,d2.assign(r,te,1,0),
t=te[0],t&=P2,t|=e+N2<<20,a*m2(t,te[1])))}Ia.exports=G2});var or=i((s8,Na)=>{"use strict";var M2=Aa();Na.exports=M2});var Ha=i((v8,Oa)=>{"use strict";function h2(r,e){var t,a;for(t=[],a=0;a<e;a++)t.push(r);return t}Oa.exports=h2});var Sa=i((n8,Ea)=>{"use strict";var D2=Ha();Ea.exports=D2});var La=i((o8,Wa)=>{"use strict";var R2=Sa();function B2(r){return R2(0,r)}Wa.exports=B2});var Fa=i((f8,Ta)=>{"use strict";var U2=La();Ta.exports=U2});var Ga=i((c8,Pa)=>{"use strict";var w2=vr(),fr=or(),qr=Fa(),ma=[10680707,7228996,1387004,2578385,16069853,12639074,9804092,
4427841,16666979,11263675,12935607,2387514,4345298,14681673,3074569,13734428,16653803,1880361,10960616,8533493,3062596,8710556,
7349940,6258241,3772886,3769171,3798172,8675211,12450088,3874808,9961438,366607,15675153,9132554,7151469,3571407,2607881,
12013382,4155038,6285869,7677882,13102053,15825725,473591,9065106,15363067,6271263,9264392,5636912,4652155,7056368,13614112,
10155062,1944035,9527646,15080200,6658437,6231200,6832269,16767104,5075751,3212806,1398474,7579849,6349435,12618859],b2=[
1.570796251296997,7549789415861596e-23,5390302529957765e-30,3282003415807913e-37,1270655753080676e-44,12293330898111133e-52,
27337005381646456e-60,21674168387780482e-67],ie=16777216,ae=5960464477539063e-23,cr=qr(20),da=qr(20),pr=qr(20),O=qr(20);
function ga(r,e,t,a,s,u,v,f,q){var o,n,p,l,c,A,H,_,I;for(l=u,I=a[t],_=t,c=0;_>0;c++)n=ae*I|0,O[c]=I-ie*n|0,I=a[_-1]+n,_-=
1;if(I=fr(I,s),I-=8*w2(I*.125),H=I|0,I-=H,p=0,s>0?(c=O[t-1]>>24-s,H+=c,O[t-1]-=c<<24-s,p=O[t-1]>>23-s):s===0?p=O[t-1]>>23:
I>=.5&&(p=2),p>0){for(H+=1,o=0,c=0;c<t;c++)_=O[c],o===0?_!==0&&(o=1,O[c]=16777216-_):O[c]=16777215-_;if(s>0)switch(s){case 1:
O[t-1]&=8388607;break;case 2:O[t-1]&=4194303;break}p===2&&(I=1-I,o!==0&&(I-=fr(1,s)))}if(I===0){for(_=0,c=t-1;c>=u;c--)_|=
O[c];if(_===0){for(A=1;O[u-A]===0;A++);for(c=t+1;c<=t+A;c++){for(q[f+c]=ma[v+c],n=0,_=0;_<=f;_++)n+=r[_]*q[f+(c-_)];a[c]=
n}return t+=A,ga(r,e,t,a,s,u,v,f,q)}for(t-=1,s-=24;O[t]===0;)t-=1,s-=24}else I=fr(I,-s),I>=ie?(n=ae*I|0,O[t]=I-ie*n|0,t+=
1,s+=24,O[t]=n):O[t]=I|0;for(n=fr(1,s),c=t;c>=0;c--)a[c]=n*O[c],n*=ae;for(c=t;c>=0;c--){for(n=0,A=0;A<=l&&A<=t-c;A++)n+=
b2[A]*a[c+A];pr[t-c]=n}for(n=0,c=t;c>=0;c--)n+=pr[c];for(p===0?e[0]=n:e[0]=-n,n=pr[0]-n,c=1;c<=t;c++)n+=pr[c];return p===
0?e[1]=n:e[1]=-n,H&7}function x2(r,e,t,a){var s,u,v,f,q,o,n,p,l;for(u=4,f=a-1,v=(t-3)/24|0,v<0&&(v=0),o=t-24*(v+1),p=v-f,
l=f+u,n=0;n<=l;n++)p<0?cr[n]=0:cr[n]=ma[p],p+=1;for(n=0;n<=u;n++){for(s=0,p=0;p<=f;p++)s+=r[p]*cr[f+(n-p)];da[n]=s}return q=
u,ga(r,e,q,da,o,u,v,f,cr)}Pa.exports=x2});var ha=i((p8,Ma)=>{"use strict";var X2=Math.round;Ma.exports=X2});var Ra=i((q8,Da)=>{"use strict";var C2=ha();Da.exports=C2});var ba=i((l8,wa)=>{"use strict";var y2=Ra(),Ba=N(),K2=.6366197723675814,V2=1.5707963267341256,k2=6077100506506192e-26,Q2=6077100506303966e-26,
Y2=20222662487959506e-37,Z2=20222662487111665e-37,J2=84784276603689e-45,Ua=2047;function $2(r,e,t){var a,s,u,v,f,q,o;return s=
y2(r*K2),v=r-s*V2,f=s*k2,o=e>>20|0,t[0]=v-f,a=Ba(t[0]),q=o-(a>>20&Ua),q>16&&(u=v,f=s*Q2,v=u-f,f=s*Y2-(u-v-f),t[0]=v-f,a=
Ba(t[0]),q=o-(a>>20&Ua),q>49&&(u=v,f=s*Z2,v=u-f,f=s*J2-(u-v-f),t[0]=v-f)),t[1]=v-t[0]-f,s}wa.exports=$2});var Xa=i((_8,xa)=>{"use strict";var z2=W(),j2=Q(),ro=sr(),eo=N(),to=ki(),io=J(),ao=Ga(),lr=ba(),uo=0,so=16777216,M=1.5707963267341256,
X=6077100506506192e-26,_r=2*X,Ir=3*X,Ar=4*X,vo=598523,no=1072243195,oo=1073928572,fo=1074752122,co=1074977148,po=1075183036,
qo=1075388923,lo=1075594811,_o=1094263291,$=[0,0,0],z=[0,0];function Io(r,e){var t,a,s,u,v,f,q,o;if(s=eo(r)|0,u=s&z2|0,u<=
no)return e[0]=r,e[1]=0,0;if(u<=fo)return(u&ro)===vo?lr(r,u,e):u<=oo?s>0?(o=r-M,e[0]=o-X,e[1]=o-e[0]-X,1):(o=r+M,e[0]=o+
X,e[1]=o-e[0]+X,-1):s>0?(o=r-2*M,e[0]=o-_r,e[1]=o-e[0]-_r,2):(o=r+2*M,e[0]=o+_r,e[1]=o-e[0]+_r,-2);if(u<=lo)return u<=po?
u===co?lr(r,u,e):s>0?(o=r-3*M,e[0]=o-Ir,e[1]=o-e[0]-Ir,3):(o=r+3*M,e[0]=o+Ir,e[1]=o-e[0]+Ir,-3):u===qo?lr(r,u,e):s>0?(o=
r-4*M,e[0]=o-Ar,e[1]=o-e[0]-Ar,4):(o=r+4*M,e[0]=o+Ar,e[1]=o-e[0]+Ar,-4);if(u<_o)return lr(r,u,e);if(u>=j2)return e[0]=NaN,
e[1]=NaN,0;for(t=to(r),a=(u>>20)-1046,o=io(u-(a<<20|0),t),f=0;f<2;f++)$[f]=o|0,o=(o-$[f])*so;for($[2]=o,v=3;$[v-1]===uo;)
v-=1;return q=ao($,z,a,v,1),s<0?(e[0]=-z[0],e[1]=-z[1],-q):(e[0]=z[0],e[1]=z[1],q)}xa.exports=Io});var Nr=i((I8,Ca)=>{"use strict";var Ao=Xa();Ca.exports=Ao});var Va=i((A8,Ka)=>{"use strict";var No=N(),ue=$r(),ya=zr(),Oo=Nr(),Ho=W(),Eo=Q(),F=[0,0],So=1072243195,Wo=1044381696;function Lo(r){
var e,t;if(e=No(r),e&=Ho,e<=So)return e<Wo?1:ue(r,0);if(e>=Eo)return NaN;switch(t=Oo(r,F),t&3){case 0:return ue(F[0],F[1]);case 1:
return-ya(F[0],F[1]);case 2:return-ue(F[0],F[1]);default:return ya(F[0],F[1])}}Ka.exports=Lo});var Qa=i((N8,ka)=>{"use strict";var To=Va();ka.exports=To});var Za=i((O8,Ya)=>{"use strict";var Fo=Math.ceil;Ya.exports=Fo});var $a=i((H8,Ja)=>{"use strict";var mo=Za();Ja.exports=mo});var ja=i((E8,za)=>{"use strict";var go=vr(),Po=$a();function Go(r){return r<0?Po(r):go(r)}za.exports=Go});var eu=i((S8,ru)=>{"use strict";var Mo=ja();ru.exports=Mo});var iu=i((W8,tu)=>{"use strict";function ho(r){return r===0?.16666666666666602:.16666666666666602+r*(-.0027777777777015593+
r*(6613756321437934e-20+r*(-16533902205465252e-22+r*41381367970572385e-24)))}tu.exports=ho});var uu=i((L8,au)=>{"use strict";var Do=or(),Ro=iu();function Bo(r,e,t){var a,s,u,v;return a=r-e,s=a*a,u=a-s*Ro(s),v=1-(e-
a*u/(2-u)-r),Do(v,t)}au.exports=Bo});var cu=i((T8,fu)=>{"use strict";var Uo=S(),su=eu(),wo=T(),vu=L(),bo=uu(),xo=.6931471803691238,Xo=19082149292705877e-26,nu=1.4426950408889634,
Co=709.782712893384,yo=-745.1332191019411,ou=1/(1<<28),Ko=-ou;function Vo(r){var e,t,a;return Uo(r)||r===vu?r:r===wo?0:r>
Co?vu:r<yo?0:r>Ko&&r<ou?1+r:(r<0?a=su(nu*r-.5):a=su(nu*r+.5),e=r-a*xo,t=a*Xo,bo(e,t,a))}fu.exports=Vo});var qu=i((F8,pu)=>{"use strict";var ko=cu();pu.exports=ko});var _u=i((d8,lu)=>{"use strict";function Qo(r){return r===0?.3999999999940942:.3999999999940942+r*(.22222198432149784+r*
.15313837699209373)}lu.exports=Qo});var Au=i((m8,Iu)=>{"use strict";function Yo(r){return r===0?.6666666666666735:.6666666666666735+r*(.2857142874366239+r*(.1818357216161805+
r*.14798198605116586))}Iu.exports=Yo});var Eu=i((g8,Hu)=>{"use strict";var Nu=N(),Zo=b(),Jo=S(),$o=G(),zo=T(),jo=_u(),r3=Au(),Or=.6931471803691238,Hr=19082149292705877e-26,
e3=0x40000000000000,t3=.3333333333333333,Ou=1048575,i3=2146435072,a3=1048576,u3=1072693248;function s3(r){var e,t,a,s,u,
v,f,q,o,n,p,l;return r===0?zo:Jo(r)||r<0?NaN:(t=Nu(r),u=0,t<a3&&(u-=54,r*=e3,t=Nu(r)),t>=i3?r+r:(u+=(t>>20)-$o|0,t&=Ou,q=
t+614244&1048576|0,r=Zo(r,t|q^u3),u+=q>>20|0,f=r-1,(Ou&2+t)<3?f===0?u===0?0:u*Or+u*Hr:(v=f*f*(.5-t3*f),u===0?f-v:u*Or-(v-
u*Hr-f)):(n=f/(2+f),l=n*n,q=t-398458|0,p=l*l,o=440401-t|0,s=p*jo(p),a=l*r3(p),q|=o,v=a+s,q>0?(e=.5*f*f,u===0?f-(e-n*(e+v)):
u*Or-(e-(n*(e+v)+u*Hr)-f)):u===0?f-n*(f-v):u*Or-(n*(f-v)-u*Hr-f))))}Hu.exports=s3});var Wu=i((P8,Su)=>{"use strict";var v3=Eu();Su.exports=v3});var Tu=i((G8,Lu)=>{"use strict";function n3(r){return r===0?.6666666666666735:.6666666666666735+r*(.3999999999940942+r*(.2857142874366239+
r*(.22222198432149784+r*(.1818357216161805+r*(.15313837699209373+r*.14798198605116586)))))}Lu.exports=n3});var Pu=i((M8,gu)=>{"use strict";var o3=S(),Fu=N(),du=b(),f3=L(),c3=T(),mu=G(),p3=Tu(),se=.6931471803691238,ve=19082149292705877e-26,
q3=.41421356237309503,l3=-.2928932188134525,_3=1862645149230957e-24,I3=5551115123125783e-32,A3=9007199254740992,N3=.6666666666666666;
function O3(r){var e,t,a,s,u,v,f,q,o,n;if(r<-1||o3(r))return NaN;if(r===-1)return c3;if(r===f3||r===0)return r;if(r<0?a=
-r:a=r,n=1,a<q3){if(a<_3)return a<I3?r:r-r*r*.5;r>l3&&(n=0,s=r,t=1)}return n!==0&&(a<A3?(o=1+r,t=Fu(o),n=(t>>20)-mu,n>0?
u=1-(o-r):u=r-(o-1),u/=o):(o=r,t=Fu(o),n=(t>>20)-mu,u=0),t&=1048575,t<434334?o=du(o,t|1072693248):(n+=1,o=du(o,t|1071644672),
t=1048576-t>>2),s=o-1),e=.5*s*s,t===0?s===0?(u+=n*ve,n*se+u):(q=e*(1-N3*s),n*se-(q-(n*ve+u)-s)):(v=s/(2+s),f=v*v,q=f*p3(
f),n===0?s-(e-v*(e+q)):n*se-(e-(v*(e+q)+(n*ve+u))-s))}gu.exports=O3});var Mu=i((h8,Gu)=>{"use strict";var H3=Pu();Gu.exports=H3});var Du=i((D8,hu)=>{"use strict";var E3=w(),ne;E3===!0?ne=0:ne=1;hu.exports=ne});var Bu=i((R8,Ru)=>{"use strict";var S3=B(),W3=U(),L3=Du(),oe=new W3(1),T3=new S3(oe.buffer);function F3(r,e){return oe[0]=
r,T3[L3]=e>>>0,oe[0]}Ru.exports=F3});var C=i((B8,Uu)=>{"use strict";var d3=Bu();Uu.exports=d3});var bu=i((U8,wu)=>{"use strict";function m3(r){return r===0?.3999999999940942:.3999999999940942+r*(.22222198432149784+r*
.15313837699209373)}wu.exports=m3});var Xu=i((w8,xu)=>{"use strict";function g3(r){return r===0?.6666666666666735:.6666666666666735+r*(.2857142874366239+r*(.1818357216161805+
r*.14798198605116586))}xu.exports=g3});var yu=i((b8,Cu)=>{"use strict";var P3=bu(),G3=Xu();function M3(r){var e,t,a,s,u,v,f;return s=r/(2+r),u=s*s,f=u*u,t=f*P3(
f),a=u*G3(f),v=a+t,e=.5*r*r,s*(e+v)}Cu.exports=M3});var Vu=i((x8,Ku)=>{"use strict";var h3=yu();Ku.exports=h3});var Ju=i((X8,Zu)=>{"use strict";var D3=N(),R3=b(),B3=C(),U3=k(),w3=S(),b3=W(),x3=sr(),X3=G(),C3=T(),y3=Vu(),K3=0x40000000000000,
ku=1.4426950407214463,V3=16751713164886512e-26,k3=2146435072,Qu=1048576,Yu=1072693248,fe=[0,0];function Q3(r){var e,t,a,
s,u,v,f,q,o,n,p,l,c;if(w3(r)||r<0)return NaN;if(U3.assign(r,fe,1,0),s=fe[0]|0,u=fe[1],c=0,s<Qu){if((s&b3|u)===0)return C3;
c-=54,r*=K3,s=D3(r)|0}return s>=k3?r+r:s===Yu&&u===0?0:(c+=(s>>20)-X3|0,s&=x3,l=s+614244&Qu|0,r=R3(r,s|l^Yu),c+=l>>20|0,
p=c,q=r-1,a=.5*q*q,o=y3(q),v=q-a,v=B3(v,0),f=q-v-a+o,e=v*ku,t=(f+v)*V3+f*ku,n=p+e,t+=p-n+e,e=n,t+e)}Zu.exports=Q3});var zu=i((C8,$u)=>{"use strict";var Y3=Ju();$u.exports=Y3});var rs=i((y8,ju)=>{"use strict";var Z3=vr();function J3(r){return Z3(r)===r}ju.exports=J3});var ce=i((K8,es)=>{"use strict";var $3=rs();es.exports=$3});var is=i((V8,ts)=>{"use strict";var z3=ce();function j3(r){return z3(r/2)}ts.exports=j3});var us=i((k8,as)=>{"use strict";var rf=is();as.exports=rf});var ns=i((Q8,vs)=>{"use strict";var ss=us();function ef(r){return r>0?ss(r-1):ss(r+1)}vs.exports=ef});var pe=i((Y8,os)=>{"use strict";var tf=ns();os.exports=tf});var cs=i((Z8,fs)=>{"use strict";function af(r){return r|0}fs.exports=af});var qe=i((J8,ps)=>{"use strict";var uf=cs();ps.exports=uf});var _s=i(($8,ls)=>{"use strict";var qs=pe(),sf=ar(),vf=T(),Er=L();function nf(r,e){return e===vf?Er:e===Er?0:e>0?qs(e)?r:
0:qs(e)?sf(Er,r):Er}ls.exports=nf});var As=i((z8,Is)=>{"use strict";var of=W(),ff=N(),cf=1072693247,Sr=1e300,Wr=1e-300;function pf(r,e){var t,a;return a=ff(
r),t=a&of,t<=cf?e<0?Sr*Sr:Wr*Wr:e>0?Sr*Sr:Wr*Wr}Is.exports=pf});var Hs=i((j8,Os)=>{"use strict";var qf=nr(),Ns=L();function lf(r,e){return r===-1?(r-r)/(r-r):r===1?1:qf(r)<1==(e===Ns)?
0:Ns}Os.exports=lf});var le=i((r7,Es)=>{"use strict";var _f=20;Es.exports=_f});var Ws=i((e7,Ss)=>{"use strict";function If(r){return r===0?.5999999999999946:.5999999999999946+r*(.4285714285785502+r*(.33333332981837743+
r*(.272728123808534+r*(.23066074577556175+r*.20697501780033842))))}Ss.exports=If});var ds=i((t7,Fs)=>{"use strict";var Af=N(),Lr=C(),Ls=b(),Nf=G(),Of=le(),Hf=Ws(),Ef=1048575,Ts=1048576,Sf=1072693248,Wf=536870912,
Lf=524288,Tf=9007199254740992,Ff=.9617966939259756,df=.9617967009544373,mf=-7028461650952758e-24,gf=[1,1.5],Pf=[0,.5849624872207642],
Gf=[0,1350039202129749e-23];function Mf(r,e,t){var a,s,u,v,f,q,o,n,p,l,c,A,H,_,I,Tr,rr,y,K,Y,er,R;return Y=0,t<Ts&&(e*=Tf,
Y-=53,t=Af(e)),Y+=(t>>Of)-Nf|0,er=t&Ef|0,t=er|Sf|0,er<=235662?R=0:er<767610?R=1:(R=0,Y+=1,t-=Ts),e=Ls(e,t),n=gf[R],y=e-n,
K=1/(e+n),s=y*K,v=Lr(s,0),a=(t>>1|Wf)+Lf,a+=R<<18,q=Ls(0,a),o=e-(q-n),f=K*(y-v*q-v*o),u=s*s,rr=u*u*Hf(u),rr+=f*(v+s),u=v*
v,q=3+u+rr,q=Lr(q,0),o=rr-(q-3-u),y=v*q,K=f*q+o*s,l=y+K,l=Lr(l,0),c=K-(l-y),A=df*l,H=mf*l+c*Ff+Gf[R],p=Pf[R],Tr=Y,_=A+H+
p+Tr,_=Lr(_,0),I=H-(_-Tr-p-A),r[0]=_,r[1]=I,r}Fs.exports=Mf});var gs=i((i7,ms)=>{"use strict";function hf(r){return r===0?.5:.5+r*(-.3333333333333333+r*.25)}ms.exports=hf});var Gs=i((a7,Ps)=>{"use strict";var Df=C(),Rf=gs(),Bf=1.4426950408889634,Uf=1.4426950216293335,wf=19259629911266175e-24;
function bf(r,e){var t,a,s,u,v,f;return s=e-1,u=s*s*Rf(s),v=Uf*s,f=s*wf-u*Bf,a=v+f,a=Df(a,0),t=f-(a-v),r[0]=a,r[1]=t,r}Ps.
exports=bf});var hs=i((u7,Ms)=>{"use strict";var xf=.6931471805599453;Ms.exports=xf});var Rs=i((s7,Ds)=>{"use strict";function Xf(r){return r===0?.16666666666666602:.16666666666666602+r*(-.0027777777777015593+
r*(6613756321437934e-20+r*(-16533902205465252e-22+r*41381367970572385e-24)))}Ds.exports=Xf});var Cs=i((v7,Xs)=>{"use strict";var Cf=N(),Bs=b(),yf=C(),Kf=qe(),Vf=or(),kf=hs(),Us=G(),ws=W(),bs=sr(),j=le(),Qf=Rs(),xs=1048576,
Yf=1071644672,Zf=.6931471824645996,Jf=-1904654299957768e-24;function $f(r,e,t){var a,s,u,v,f,q,o,n,p,l,c;return l=r&ws|0,
c=(l>>j)-Us|0,p=0,l>Yf&&(p=r+(xs>>c+1)>>>0,c=((p&ws)>>j)-Us|0,a=(p&~(bs>>c))>>>0,u=Bs(0,a),p=(p&bs|xs)>>j-c>>>0,r<0&&(p=
-p),e-=u),u=t+e,u=yf(u,0),f=u*Zf,q=(t-(u-e))*kf+u*Jf,n=f+q,o=q-(n-f),u=n*n,s=n-u*Qf(u),v=n*s/(s-2)-(o+n*o),n=1-(v-n),r=Cf(
n),r=Kf(r),r+=p<<j>>>0,r>>j<=0?n=Vf(n,p):n=Bs(n,r),n}Xs.exports=$f});var js=i((n7,zs)=>{"use strict";var ys=S(),Ks=pe(),Vs=V(),zf=ce(),ks=tr(),jf=nr(),_e=k(),r9=C(),Qs=qe(),e9=T(),t9=L(),Ie=W(),
i9=_s(),a9=As(),u9=Hs(),s9=ds(),v9=Gs(),n9=Cs(),o9=1072693247,f9=1105199104,c9=1139802112,Ys=1083179008,p9=1072693248,q9=1083231232,
l9=3230714880,Zs=31,h=1e300,D=1e-300,_9=8008566259537294e-32,d=[0,0],Js=[0,0];function $s(r,e){var t,a,s,u,v,f,q,o,n,p,l,
c,A,H,_,I;if(ys(r)||ys(e))return NaN;if(_e.assign(e,d,1,0),f=d[0],q=d[1],q===0){if(e===0)return 1;if(e===1)return r;if(e===
-1)return 1/r;if(e===.5)return ks(r);if(e===-.5)return 1/ks(r);if(e===2)return r*r;if(e===3)return r*r*r;if(e===4)return r*=
r,r*r;if(Vs(e))return u9(r,e)}if(_e.assign(r,d,1,0),u=d[0],v=d[1],v===0){if(u===0)return i9(r,e);if(r===1)return 1;if(r===
-1&&Ks(e))return-1;if(Vs(r))return r===e9?$s(-0,-e):e<0?0:t9}if(r<0&&zf(e)===!1)return(r-r)/(r-r);if(s=jf(r),t=u&Ie|0,a=
f&Ie|0,o=u>>>Zs|0,n=f>>>Zs|0,o&&Ks(e)?o=-1:o=1,a>f9){if(a>c9)return a9(r,e);if(t<o9)return n===1?o*h*h:o*D*D;if(t>p9)return n===
0?o*h*h:o*D*D;A=v9(Js,s)}else A=s9(Js,s,t);if(p=r9(e,0),c=(e-p)*A[0]+e*A[1],l=p*A[0],H=c+l,_e.assign(H,d,1,0),_=Qs(d[0]),
I=Qs(d[1]),_>=Ys){if((_-Ys|I)!==0||c+_9>H-l)return o*h*h}else if((_&Ie)>=q9&&((_-l9|I)!==0||c<=H-l))return o*D*D;return H=
n9(_,l,c),o*H}zs.exports=$s});var ev=i((o7,rv)=>{"use strict";var I9=js();rv.exports=I9});var av=i((f7,iv)=>{"use strict";var A9=W(),N9=Q(),O9=N(),tv=$r(),Ae=zr(),H9=Nr(),E9=1072243195,S9=1045430272,m=[0,0];function W9(r){
var e,t;if(e=O9(r),e&=A9,e<=E9)return e<S9?r:Ae(r,0);if(e>=N9)return NaN;switch(t=H9(r,m),t&3){case 0:return Ae(m[0],m[1]);case 1:
return tv(m[0],m[1]);case 2:return-Ae(m[0],m[1]);default:return-tv(m[0],m[1])}}iv.exports=W9});var sv=i((c7,uv)=>{"use strict";var L9=av();uv.exports=L9});var nv=i((p7,vv)=>{"use strict";function T9(r){return r===0?.13333333333320124:.13333333333320124+r*(.021869488294859542+
r*(.0035920791075913124+r*(.0005880412408202641+r*(7817944429395571e-20+r*-18558637485527546e-21))))}vv.exports=T9});var fv=i((q7,ov)=>{"use strict";function F9(r){return r===0?.05396825397622605:.05396825397622605+r*(.0088632398235993+r*
(.0014562094543252903+r*(.0002464631348184699+r*(7140724913826082e-20+r*2590730518636337e-20))))}ov.exports=F9});var qv=i((l7,pv)=>{"use strict";var d9=N(),cv=C(),m9=nv(),g9=fv(),P9=.7853981633974483,G9=3061616997868383e-32,M9=.3333333333333341,
h9=2147483647;function D9(r,e,t){var a,s,u,v,f,q,o,n,p;return a=d9(r),s=a&h9|0,s>=1072010280&&(r<0&&(r=-r,e=-e),p=P9-r,n=
G9-e,r=p+n,e=0),p=r*r,n=p*p,v=m9(n),o=p*g9(n),f=p*r,v=e+p*(f*(v+o)+e),v+=M9*f,n=r+v,s>=1072010280?(o=t,(1-(a>>30&2))*(o-
2*(r-(n*n/(n+o)-v)))):t===1?n:(p=cv(n,0),o=v-(p-r),u=-1/n,q=cv(u,0),f=1+q*p,q+u*(f+q*o))}pv.exports=D9});var _v=i((_7,lv)=>{"use strict";var R9=qv();lv.exports=R9});var Nv=i((I7,Av)=>{"use strict";var B9=N(),Iv=_v(),U9=Nr(),w9=W(),b9=Q(),Ne=[0,0],x9=1072243195,X9=1044381696;function C9(r){
var e,t;return e=B9(r),e&=w9,e<=x9?e<X9?r:Iv(r,0,1):e>=b9?NaN:(t=U9(r,Ne),Iv(Ne[0],Ne[1],1-((t&1)<<1)))}Av.exports=C9});var Hv=i((A7,Ov)=>{"use strict";var y9=Nv();Ov.exports=y9});var K9=E(xe()),V9=E(Fr()),k9=E(mr()),Q9=E(pi()),Y9=E(Fi()),Z9=E(Qa()),J9=E(qu()),$9=E(Wu()),z9=E(Mu()),j9=E(zu()),r4=E(ev()),
e4=E(sv()),t4=E(Hv());var export_acos=K9.default;var export_asin=V9.default;var export_atan=k9.default;var export_atan2=Q9.default;var export_cbrt=Y9.default;
var export_cos=Z9.default;var export_exp=J9.default;var export_log=$9.default;var export_log1p=z9.default;var export_log2=j9.default;
var export_pow=r4.default;var export_sin=e4.default;var export_tan=t4.default;export{export_acos as acos,export_asin as asin,
export_atan as atan,export_atan2 as atan2,export_cbrt as cbrt,export_cos as cos,export_exp as exp,export_log as log,export_log1p as log1p,
export_log2 as log2,export_pow as pow,export_sin as sin,export_tan as tan};
