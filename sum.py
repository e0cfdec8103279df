import json,subprocess,re,glob,math,os,sys
S=os.environ['CARGO_TARGET_DIR']+'/debug/shankline'
z=[]
for f in sorted(glob.glob('/tmp/sheet/bench/*.jpg')):
    t=json.load(open(f[:-4]+'.truth.json')); s=t['sheet']
    r=subprocess.run([S,'floor',f],capture_output=True,text=True); o=r.stdout
    if r.returncode: print(os.path.basename(f),'%.0f° %.1fm %dpx'%(s['elevation_deg'],s['distance_m'],t['image_size'][0]),'NO',r.stderr.strip()[:90]); continue
    v=[tuple(map(float,m)) for m in re.findall(r': (-?[\d.]+) \S+ ± ([\d.]+)',o)]
    n=re.search(r'sheet: (\d)',o)[1]; mis=re.search(r'at ([\d.]+) times',o)[1]; px=re.search(r'within ([\d.]+)',o)[1]
    tr=[s['elevation_deg'],t['height_m'],s['distance_m'],t['focal_px']]
    e=[(a-b)/max(sd,.005) for (a,sd),b in zip(v,tr)]; z.append(e)
    print(os.path.basename(f),'%.0f° %.1fm %dpx n=%s px=%s misfit=%s'%(s['elevation_deg'],s['distance_m'],t['image_size'][0],n,px,mis),'elev err %.2f±%.2f h %.0f%%±%.0f f %.1f%%±%.1f'%(v[0][0]-tr[0],v[0][1],100*(v[1][0]/tr[1]-1),100*v[1][1]/v[1][0],100*(v[3][0]/tr[3]-1),100*v[3][1]/v[3][0]),'z',['%.1f'%x for x in e])
import statistics
for k,nm in enumerate(['elev','h','d','f']): print(nm,'rms z %.2f'%math.sqrt(sum(e[k]**2 for e in z)/len(z)),'in95',sum(abs(e[k])<1.96 for e in z),len(z))
