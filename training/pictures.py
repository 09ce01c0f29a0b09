"""The packed pictures on the device, and the small draws that all training scripts use."""
import os
import cv2, numpy as np, torch
import torch.nn.functional as F
from common import CANVAS_H, CANVAS_W

dev = torch.device("cuda" if torch.cuda.is_available() else "cpu")
torch.set_num_threads(2)
cv2.setNumThreads(2)
if dev.type == "cuda":
    torch.backends.cudnn.benchmark = True
    torch.backends.cudnn.allow_tf32 = True


def load(path):
    """The pack as a dictionary of arrays, and its pictures as N x H x W bytes."""
    with np.load(path) as z:
        P = {k: z[k] for k in z.files}
    n = len(P["cls"])
    pictures = np.zeros((n, CANVAS_H, CANVAS_W), np.uint8)
    for i in range(n):
        pictures[i] = cv2.imdecode(P["blob"][P["off"][i]:P["off"][i + 1]], 0)
    return P, pictures


def sharp_and_soft(pictures):
    """The pictures as half floats 0..1 on the device, as they are and slightly blurred."""
    kind = torch.float16 if dev.type == "cuda" else torch.float32
    x = torch.from_numpy(pictures).to(dev)
    sharp, soft = [], []
    for i in range(0, len(x), 256):
        f = x[i:i + 256].float().unsqueeze(1) / 255
        sharp.append(f.to(kind))
        soft.append(F.avg_pool2d(f, 3, 1, 1).to(kind))
    return torch.cat(sharp), torch.cat(soft)


def U(b, lo, hi):
    return torch.rand(b, device=dev) * (hi - lo) + lo


def hit(b, p):
    return (torch.rand(b, device=dev) < p).float()


def look(sharp, soft, idx, g, blur=None):
    """Grey values of pictures idx at canvas places g (b,h,w,2), 0 outside; where blur is 1 from the blurred copy."""
    gn = torch.stack([g[..., 0] / CANVAS_W * 2 - 1, g[..., 1] / CANVAS_H * 2 - 1], -1)
    at = lambda src: F.grid_sample(src[idx].float(), gn, mode="bilinear", padding_mode="zeros", align_corners=False)
    im = at(sharp)
    return im if blur is None else torch.where(blur[:, None, None, None] > 0, at(soft), im)


def inside(wh, idx, g):
    w, h = wh[idx, 0][:, None, None], wh[idx, 1][:, None, None]
    return ((g[..., 0] > 0) & (g[..., 0] < w) & (g[..., 1] > 0) & (g[..., 1] < h)).float()[:, None]


def tones(x):
    """Brightness curve, gain, haze and speckle."""
    b, v = x.shape[0], lambda t: t[:, None, None, None]
    x = x.clamp(1e-4, 1) ** v(torch.exp(U(b, -.6, .6)))
    x = x * v(torch.exp(U(b, -.5, .45))) + v(hit(b, .25) * U(b, 0, .08))
    n = torch.randn_like(x)
    n = torch.where(v(hit(b, .5)) > 0, F.avg_pool2d(n, 3, 1, 1) * 3, n)
    return x * (1 + n * v(hit(b, .6) * U(b, 0, .35)))


class Draw:
    """Draws picture numbers from groups; a group's draw is uniform and with replacement."""

    def __init__(self, *groups):
        self.groups = [torch.as_tensor(np.asarray(g), dtype=torch.long, device=dev) for g in groups]

    def of(self, k, n):
        g = self.groups[k]
        return g[(torch.rand(n, device=dev) * len(g)).long().clamp(max=len(g) - 1)] if n else g[:0]

    def share(self, shares):
        """How often each group is drawn by mixed()."""
        self.edges = torch.as_tensor(np.cumsum(shares) / np.sum(shares), device=dev, dtype=torch.float32)

    def mixed(self, n):
        """n numbers from all groups by their shares."""
        which = torch.searchsorted(self.edges, torch.rand(n, device=dev)).clamp(max=len(self.groups) - 1)
        out = torch.zeros(n, dtype=torch.long, device=dev)
        for k in range(len(self.groups)):
            out = torch.where(which == k, self.of(k, n), out)
        return out


def save(path, net):
    os.makedirs(os.path.dirname(path), exist_ok=True)
    np.savez(path, **{f"{n}.{k}": a for n, w, b in net.folded() for k, a in (("w", w), ("b", b))})
